"""The child as the daemon sees it: asked once at a time, killed by its process id when it does not answer."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
from collections.abc import Callable, Sequence
from typing import Any, Final

import msgspec

from kojimon import clock, logs
from kojimon.errors import KojimonError
from kojimon.mirror.answers import NO_SECRET, Answer
from kojimon.mirror.feed import Point

KILL_AFTER_S: Final = 30.0
"""A request ends by its own time limits long before; a child that takes this long hangs."""

log = logs.get("mirror")


class Process:
    """A child process, started when first asked and again after its death.

    Args:
        address: makes what `child` wants as its first line; it contains the token, so it goes through the pipe only.
            Called for each child anew; may raise KojimonError: the token is not there.
        kill_after_s: real seconds after which a child that does not answer is killed.
        command: for tests.
    """

    def __init__(
        self,
        address: Callable[[], dict[str, Any]],
        kill_after_s: float = KILL_AFTER_S,
        command: Sequence[str] | None = None,
    ) -> None:
        self._address, self._kill_after_s = address, kill_after_s
        self._command = list(command or (sys.executable, "-m", "kojimon.mirror.child"))
        self._child: subprocess.Popen[bytes] | None = None
        self.started = 0

    def ask(self, points: Sequence[Point]) -> Answer:
        """Sends points and waits for the answer; status 0 when the child died or had to be killed."""
        parcel = {"points": [point[1:] for point in points]}
        try:
            child = self._running()
            answer = self._exchange(child, msgspec.json.encode(parcel) + b"\n")
        except KojimonError as problem:
            return Answer(NO_SECRET, str(problem))
        except (OSError, msgspec.MsgspecError) as problem:
            self.end()
            return Answer(0, f"the sending process failed: {problem}")
        if answer is None:
            log.warning("the mirror's process %d does not answer; killed", child.pid)
            self.end()
            return Answer(0, f"no answer within {self._kill_after_s:g} s")
        return answer

    def _running(self) -> subprocess.Popen[bytes]:
        if self._child is not None and self._child.poll() is None:
            return self._child
        self.end()
        address = msgspec.json.encode(self._address()) + b"\n"
        self._child = subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.started += 1
        assert self._child.stdin is not None and self._child.stdout is not None
        os.set_blocking(self._child.stdin.fileno(), False)
        self._put(self._child, address, clock.real_s() + self._kill_after_s)
        return self._child

    def _exchange(self, child: subprocess.Popen[bytes], line: bytes) -> Answer | None:
        end_s = clock.real_s() + self._kill_after_s
        if not self._put(child, line, end_s):
            return None
        assert child.stdout is not None
        received = b""
        while not received.endswith(b"\n"):
            ready, _, _ = select.select([child.stdout], [], [], max(0.0, end_s - clock.real_s()))
            if not ready:
                return None
            part = os.read(child.stdout.fileno(), 65536)
            if not part:
                raise OSError(f"it ended with code {child.wait(1)}")
            received += part
        return Answer(**msgspec.json.decode(received))

    @staticmethod
    def _put(child: subprocess.Popen[bytes], data: bytes, end_s: float) -> bool:
        """Writes all of data while the child reads; False when it has not by end_s (real time)."""
        assert child.stdin is not None
        while data:
            _, ready, _ = select.select([], [child.stdin], [], max(0.0, end_s - clock.real_s()))
            if not ready:
                return False
            data = data[os.write(child.stdin.fileno(), data) :]
        return True

    def end(self) -> None:
        """Kills the child where one runs, and lets go of its pipes."""
        child, self._child = self._child, None
        if child is None:
            return
        if child.poll() is None:
            child.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(5)
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
