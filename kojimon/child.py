"""A process of our own beside the daemon: what hangs, swells or crashes in it is ended with it and begun anew.

One request is in flight. A request is a line and so is an answer, within a limit of real time and of bytes. Whatever is
not as it should be ends the process with all that it started, in its own session; the next request starts a fresh one,
and whoever told the last one something tells it again (`lives`). It ends by itself when its input ends: with us.
"""

from __future__ import annotations

import os
import re
import resource
import select
import signal
import subprocess
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Final

from kojimon import logs
from kojimon.clock import real_s
from kojimon.errors import KojimonError

ANSWER_BYTES: Final = 1_000_000
END_S: Final = 5.0
"""A killed process is gone within milliseconds, unless the kernel itself holds it."""
_KEPT: Final = re.compile(
    r"PATH|HOME|USER|LOGNAME|SHELL|LANG|LANGUAGE|LC_\w+|TZ|TMPDIR|PYTHON\w+|VIRTUAL_ENV|LD_\w+|MALLOC_\w+|SSL_CERT_\w+|"
    r"(REQUESTS|CURL)_CA_BUNDLE|(?i:(https?|all|no)_proxy)"
)
_LOG = logs.get("child")


class ChildError(KojimonError):
    """The process could not be asked; it has been ended, and what it knew is gone."""


def environment(more: str = "") -> dict[str, str]:
    """Our environment as a child gets it: what a program needs to run and to reach the network, never a secret.

    Args:
        more: pattern of further names.
    """
    wanted = re.compile(more)
    return {name: value for name, value in os.environ.items() if _KEPT.fullmatch(name) or wanted.fullmatch(name)}


class Child:
    """See the module text. Asked by one thread; `kill` may be called by any.

    Args:
        name: how it is called in words, as in `the forecast's process`.
        command: program and arguments.
        limit_s: real seconds a request may take.
        most_bytes: an answer may have.
        first: makes the line that each life is told first, by the pipe and so seen by nobody else; may raise
            KojimonError.
        nice: how far it gives way to others; data_bytes: memory it may ask for, 0 without limit.
        environment: what it finds there; None: what `environment` gives.
        quiet: what it says on its standard error is thrown away.
    """

    def __init__(
        self,
        name: str,
        command: Sequence[str],
        limit_s: float,
        *,
        most_bytes: int = ANSWER_BYTES,
        first: Callable[[], bytes] | None = None,
        nice: int = 0,
        data_bytes: int = 0,
        environment: Mapping[str, str] | None = None,
        quiet: bool = False,
    ) -> None:
        self.name, self.limit_s = name, limit_s
        self._command, self._most_bytes, self._first = list(command), most_bytes, first
        self._nice, self._data_bytes, self._environment, self._quiet = nice, data_bytes, environment, quiet
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = b""
        self.lives = self.hung = 0
        """How often it was started, and how often it was ended because it did not answer."""

    @property
    def pid(self) -> int | None:
        """Its process id while it runs."""
        with self._lock:
            process = self._process
            return process.pid if process is not None and _ending(process) is None else None

    def ended(self) -> str:
        """How it ended by itself, as in `signal 9`; "" where it runs, or was not started."""
        with self._lock:
            return "" if self._process is None else _ending(self._process) or ""

    def ask(self, line: bytes) -> bytes:
        """Sends a line, waits for the one that answers. Raises ChildError; the process is then gone."""
        answer = next(self.answers(line))
        if self._rest:
            self.end()
            raise ChildError(f"{self.name} said more than it was asked; it was ended")
        return answer

    def answers(self, line: bytes) -> Iterator[bytes]:
        """Sends a line, gives the lines that come back as long as more are wanted, all within the limit of time.

        Raises ChildError; the process is then gone. KojimonError where its first line cannot be made.
        """
        until_s = real_s() + self.limit_s
        try:
            process = self._running(until_s)
            self._put(process, line, until_s)
            while True:
                yield self._line(process, until_s)
        except ChildError:
            self.end()
            raise
        except (OSError, ValueError) as problem:  # ValueError: `end` of another thread closed its pipes
            how = self._how() or getattr(problem, "strerror", "it was ended")
            self.end()
            raise ChildError(f"{self.name} ended unexpectedly ({how})") from None

    def kill(self) -> None:
        """Ends the process, and leaves the rest to whoever is waiting for it. From any thread."""
        with self._lock:
            if self._process is not None:
                _kill(self._process)

    def end(self) -> None:
        """Ends the process and all it started, where one runs, and lets go of its pipes."""
        with self._lock:
            process, self._process, self._rest = self._process, None, b""
            if process is not None:
                _kill(process)
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        with suppress(subprocess.TimeoutExpired):
            process.wait(END_S)

    # -- one life ------------------------------------------------------------------------------------------------

    def _running(self, until_s: float) -> subprocess.Popen[bytes]:
        process = self._process
        if process is not None and _ending(process) is None:
            return process
        self.end()
        first = b"" if self._first is None else self._first()
        fresh = self._start()
        self._put(fresh, first, until_s)
        return fresh

    def _start(self) -> subprocess.Popen[bytes]:
        try:
            with self._lock:  # `end` of another thread waits for it: it would be nobody's
                process = self._process = subprocess.Popen(
                    self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0, start_new_session=True,
                    stderr=subprocess.DEVNULL if self._quiet else None,
                    env=environment() if self._environment is None else self._environment,
                )  # fmt: skip
        except OSError as problem:
            raise ChildError(f"{self.name} cannot be started: {problem.strerror}") from None
        self.lives += 1
        assert process.stdin is not None
        os.set_blocking(process.stdin.fileno(), False)
        with suppress(OSError, ValueError):  # it may be gone already
            if self._nice:
                os.setpriority(os.PRIO_PROCESS, process.pid, self._nice)
            if self._data_bytes:
                resource.prlimit(process.pid, resource.RLIMIT_DATA, (self._data_bytes, self._data_bytes))
        return process

    def _put(self, process: subprocess.Popen[bytes], line: bytes, until_s: float) -> None:
        assert process.stdin is not None
        while line:
            if not select.select([], [process.stdin], [], max(0.0, until_s - real_s()))[1]:
                raise self._silent(process)
            line = line[os.write(process.stdin.fileno(), line) :]

    def _line(self, process: subprocess.Popen[bytes], until_s: float) -> bytes:
        assert process.stdout is not None
        parts = [self._rest]
        while b"\n" not in parts[-1]:
            if not select.select([process.stdout], [], [], max(0.0, until_s - real_s()))[0]:
                raise self._silent(process)
            part = os.read(process.stdout.fileno(), 65_536)
            if not part:
                raise ChildError(f"{self.name} ended unexpectedly ({self._how() or 'it closed its answers'})")
            parts.append(part)
            if sum(map(len, parts)) > self._most_bytes:
                raise ChildError(f"{self.name} answered without end; it was ended")
        line, _, self._rest = b"".join(parts).partition(b"\n")
        return line

    def _silent(self, process: subprocess.Popen[bytes]) -> ChildError:
        self.hung += 1
        _LOG.warning("%s (%d) does not answer; killed", self.name, process.pid)
        return ChildError(f"{self.name} did not answer within {self.limit_s:g} s and was ended")

    def _how(self) -> str:
        """How it ended, given a moment to: its pipes close before it is gone."""
        process = self._process
        if process is None:
            return ""
        with suppress(OSError):
            descriptor = os.pidfd_open(process.pid)
            try:
                select.select([descriptor], [], [], END_S)
            finally:
                os.close(descriptor)
        return self.ended()


def begin() -> None:
    """The first thing that a child does: signals as a fresh process has them, whatever the daemon was started under."""
    signal.pthread_sigmask(signal.SIG_SETMASK, ())
    for number in signal.valid_signals() - {signal.SIGKILL, signal.SIGSTOP, signal.SIGPIPE}:
        signal.signal(number, signal.SIG_DFL)


def _ending(process: subprocess.Popen[bytes]) -> str | None:
    """How it ended, None while it runs. It is not reaped here, so that its number is nobody else's yet."""
    try:
        found = os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT)
    except ChildProcessError:
        return "unknown"
    if found is None:
        return None
    return f"code {found.si_status}" if found.si_code == os.CLD_EXITED else f"signal {found.si_status}"


def _kill(process: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
