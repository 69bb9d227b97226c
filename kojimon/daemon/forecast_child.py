"""The forecast's process as the daemon sees it: one request at a time, killed by its id when it does not answer.

The process is niced and its memory bounded, so that a model gone wrong never takes the machine from the watch.
"""

from __future__ import annotations

import contextlib
import os
import resource
import select
import subprocess
import sys
from collections.abc import Sequence
from typing import Final

import msgspec

from kojimon import clock, logs
from kojimon.errors import KojimonError
from kojimon.forecast.protocol import Answer, Request, decode_answer, encode

ANSWER_S: Final = 30.0
"""Real seconds a request may take. A whole batch told again takes 0.4 s here; a Pi Zero is some thirty times slower."""
NICE: Final = 10
DATA_BYTES: Final = 512 * 1024 * 1024
"""Memory the process may ask for; it holds 33 MB after a whole batch."""
ANSWER_BYTES: Final = 1_000_000

_LOG = logs.get("forecast")


class ChildError(KojimonError):
    """The process could not be asked; it has been ended, and what it knew is gone."""


class Child:
    """A process that forecasts, started when first asked and again after its end.

    Args:
        answer_s: real seconds after which a request that is not answered ends the process.
        command: for tests.
    """

    def __init__(self, answer_s: float = ANSWER_S, command: Sequence[str] | None = None) -> None:
        self._answer_s = answer_s
        self._command = list(command or (sys.executable, "-m", "kojimon.forecast.child"))
        self._process: subprocess.Popen[bytes] | None = None
        self.lives = 0
        """How often it has been started. Whoever told it something before the latest start must tell it again."""

    @property
    def pid(self) -> int | None:
        """Its process id while it runs."""
        process = self._process
        return process.pid if process is not None and process.poll() is None else None

    def ready(self) -> None:
        """Starts the process where none runs. Raises ChildError when it cannot be started or had ended by itself."""
        process = self._process
        if process is not None and process.poll() is not None:
            code = process.returncode
            self.end()
            raise ChildError(f"the forecast's process ended unexpectedly ({_how(code)})")
        if process is None:
            self._start()

    def ask(self, request: Request) -> Answer:
        """Sends a request and waits for the answer. Raises ChildError; the process is then gone."""
        self.ready()
        process = self._process
        assert process is not None
        try:
            return decode_answer(self._exchange(process, encode(request)))
        except ChildError:
            self.end()
            raise
        except (OSError, msgspec.MsgspecError) as problem:
            code = process.poll()
            self.end()
            how = f"ended unexpectedly ({_how(code)})" if code is not None else f"failed: {problem}"
            raise ChildError(f"the forecast's process {how}") from None

    def _start(self) -> None:
        try:
            process = subprocess.Popen(self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        except OSError as problem:
            raise ChildError(f"the forecast's process cannot be started: {problem}") from None
        self._process, self.lives = process, self.lives + 1
        assert process.stdin is not None
        os.set_blocking(process.stdin.fileno(), False)
        with contextlib.suppress(OSError, ValueError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICE)
            resource.prlimit(process.pid, resource.RLIMIT_DATA, (DATA_BYTES, DATA_BYTES))

    def _exchange(self, process: subprocess.Popen[bytes], line: bytes) -> bytes:
        until_s = clock.real_s() + self._answer_s
        assert process.stdin is not None and process.stdout is not None
        while line:
            _, ready, _ = select.select([], [process.stdin], [], max(0.0, until_s - clock.real_s()))
            if not ready:
                raise self._hung(process)
            line = line[os.write(process.stdin.fileno(), line) :]
        received = b""
        while not received.endswith(b"\n"):
            readable, _, _ = select.select([process.stdout], [], [], max(0.0, until_s - clock.real_s()))
            if not readable:
                raise self._hung(process)
            part = os.read(process.stdout.fileno(), 65_536)
            if not part:
                raise ChildError(f"the forecast's process ended unexpectedly ({_how(process.wait(5))})")
            received += part
            if len(received) > ANSWER_BYTES:
                raise ChildError("the forecast's process answered without end; it was ended")
        return received

    def _hung(self, process: subprocess.Popen[bytes]) -> ChildError:
        _LOG.warning("the forecast's process %d does not answer; killed", process.pid)
        return ChildError(f"the forecast's process did not answer within {self._answer_s:g} s and was ended")

    def kill(self) -> None:
        """Ends the process, and leaves the rest to whoever is waiting for it. May be called from another thread."""
        process = self._process
        if process is not None and process.poll() is None:
            process.kill()

    def end(self) -> None:
        """Ends the process where one runs, and lets go of its pipes."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5)
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def _how(code: int | None) -> str:
    if code is None:
        return "it closed its answers"
    return f"signal {-code}" if code < 0 else f"code {code}"
