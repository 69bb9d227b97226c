"""The sender: a process of its own, so that a service that hangs can be killed and its library's memory stays outside.

Reads one request a line (JSON) from its standard input and answers with a line a channel as each is done, then one for
the whole. It ends when its input does: with the daemon.
"""

from __future__ import annotations

import os
import sys
import threading
from typing import IO

import msgspec

from kojimon.child import begin
from kojimon.notify.asked import Answer, Request, Sound, Way
from kojimon.notify.carriers import deliver, warm_up
from kojimon.notify.pictures import carries, made
from kojimon.notify.speaker import Speaker


class Sender:
    """Carries out requests, the channels of one side by side."""

    def __init__(self, out: IO[str]) -> None:
        self._out = out
        self._lock = threading.Lock()
        self._speaker = Speaker()

    def carry_out(self, request: Request) -> None:
        """Does what is asked and answers."""
        if request.do == "warm":
            warm_up()
        elif request.do == "stop":
            self._speaker.stop()
        else:
            self._send_all(request)
        self._say(Answer(request.no, done=True))

    def _send_all(self, request: Request) -> None:
        channels, image = request.channels, b""
        if request.picture is not None:
            able = tuple(channel for channel in channels if carries(channel))
            image = made(request.picture) if able else b""
            if request.do == "picture":  # the text before it has gone out already
                channels = able if image else ()
        threads = [
            threading.Thread(target=self._send, args=(channel, request, image), daemon=True) for channel in channels
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    def close(self) -> None:
        """Nobody asks any more."""
        self._speaker.stop()

    def _send(self, channel: Way, request: Request, image: bytes) -> None:
        if isinstance(channel, Sound):
            wrong = self._speaker.play(channel.player, request.round, channel.loudest)
        else:
            wrong = deliver(channel, request, image)
        self._say(Answer(request.no, channel.name, wrong))

    def _say(self, answer: Answer) -> None:
        with self._lock:
            self._out.write(msgspec.json.encode(answer).decode() + "\n")
            self._out.flush()


def main() -> None:
    """Serves requests until the input ends."""
    begin()
    # Whatever a library prints must not get between the answers.
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    sender = Sender(out)
    try:
        for line in sys.stdin:
            sender.carry_out(msgspec.json.decode(line, type=Request))
    except (BrokenPipeError, KeyboardInterrupt):
        pass
    finally:
        sender.close()


if __name__ == "__main__":
    main()
