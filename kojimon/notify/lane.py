"""A lane: one thread with one sender process, one request in flight; a process that takes too long is begun anew."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Sequence
from typing import Final

from msgspec import DecodeError, Struct, json
from msgspec.structs import replace

from kojimon import logs
from kojimon.child import Child, ChildError, environment
from kojimon.notify.asked import Answer, Request

LIMIT_S: Final = 20.0
"""Real seconds a message may take, all its channels side by side."""
SENDER: Final = (sys.executable, "-m", "kojimon.notify.child")
IDLE_S: Final = 120.0
"""A lane that is not kept lets its process go after so long without work."""
END_S: Final = 3.0
SOUND_AND_DESK: Final = r"(XDG|DBUS|PULSE|PIPEWIRE|ALSA)_\w+|DISPLAY|WAYLAND_DISPLAY"
"""Names in the environment by which programs find the loudspeaker and the screen."""

_LOG = logs.get("notify")

Heard = Callable[[str, str], None]
"""Takes a channel's name and what went wrong, "" for nothing."""


class Job(Struct, frozen=True):
    """A request: what is asked, and who hears how each channel fared."""

    request: Request
    heard: Heard = lambda _name, _wrong: None


class Lane:
    """See the module text.

    Args:
        name: for the log.
        free: called in the lane's thread whenever it has become free.
        kept: whether its process stays when there is nothing to do.
        limit_s: real seconds a request may take.
        argv: the sender's command.
    """

    def __init__(
        self,
        name: str,
        free: Callable[[], None],
        kept: bool = False,
        limit_s: float = LIMIT_S,
        argv: Sequence[str] = SENDER,
    ) -> None:
        self.name, self.kept = name, kept
        self._free = free
        # Whatever a service's library prints is nobody's business.
        self.child = Child("the sender", argv, limit_s, environment=environment(SOUND_AND_DESK), quiet=True)
        self._changed = threading.Condition()
        self._job: Job | None = None
        self._stopping = False
        self._number = 0
        self._thread = threading.Thread(target=self._run, name=f"send-{name}", daemon=True)

    def start(self) -> None:
        """Starts the thread; the process comes with the first request."""
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether a request is in flight or waits to be."""
        return self._job is not None

    def put(self, job: Job) -> bool:
        """Takes a request. False: there is one in flight already."""
        with self._changed:
            if self._job is not None or self._stopping:
                return False
            self._job = job
            self._changed.notify_all()
            return True

    def stop(self, timeout_s: float = END_S) -> bool:
        """Ends thread and process; what is in flight may still get out within the time. Whether it ended by itself."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        ended = not self._thread.is_alive()
        self.child.kill()
        if not ended:
            self._thread.join(timeout_s)
        self.child.end()
        return ended

    # -- the thread ----------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._changed:
                wait_s = None if self.kept or self.child.pid is None else IDLE_S
                if self._job is None and not self._stopping and not self._changed.wait(wait_s):
                    self.child.end()
                job = self._job
                if job is None and self._stopping:
                    return
            if job is None:
                continue
            try:
                self._work(job)
            except Exception:
                _LOG.exception("lane %s", self.name)
            with self._changed:
                self._job = None
            self._free()

    def _work(self, job: Job) -> None:
        waiting, wrong = {channel.name for channel in job.request.channels}, "the sender said nothing about it"
        self._number += 1
        line = json.encode(replace(job.request, no=self._number)) + b"\n"
        try:
            for text in self.child.answers(line):
                answer = json.decode(text, type=Answer)
                if answer.no != self._number:
                    continue
                if answer.done:
                    break
                waiting.discard(answer.channel)
                job.heard(answer.channel, answer.wrong)
        except ChildError as problem:
            wrong = str(problem)
        except DecodeError as problem:
            self.child.end()
            wrong = f"the sender answered what is none: {problem}"
        for name in sorted(waiting):
            job.heard(name, wrong)
