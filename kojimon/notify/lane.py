"""A lane: one thread with one sender process, one request in flight, killed and begun anew when it takes too long."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from msgspec import Struct

from kojimon import logs
from kojimon.clock import real_s

LIMIT_S: Final = 20.0
"""Real seconds a message may take, all its channels side by side."""
IDLE_S: Final = 120.0
"""A lane that is not kept lets its process go after so long without work."""
END_S: Final = 3.0

_LOG = logs.get("notify")

Heard = Callable[[str, str], None]
"""Takes a channel's name and what went wrong, "" for nothing."""


class Job(Struct, frozen=True):
    """A request: what is asked, and who hears how each channel fared."""

    request: Mapping[str, Any]
    channels: tuple[str, ...] = ()
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
        argv: Sequence[str] = (sys.executable, "-m", "kojimon.notify.child"),
    ) -> None:
        self.name, self.limit_s, self.kept = name, limit_s, kept
        self._free, self._argv = free, tuple(argv)
        self._changed = threading.Condition()
        self._job: Job | None = None
        self._stopping = False
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = b""
        self._number = self.lives = self.killed = 0
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
        self._end()
        return ended

    # -- the thread ----------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._changed:
                wait_s = None if self.kept or self._process is None else IDLE_S
                if self._job is None and not self._stopping and not self._changed.wait(wait_s):
                    self._end()
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
        waiting = set(job.channels)
        until_s = real_s() + self.limit_s
        wrong = "the sender cannot be started"
        try:
            process = self._ready()
            self._number += 1
            line = json.dumps({"no": self._number, **job.request}) + "\n"
            assert process.stdin is not None
            process.stdin.write(line.encode())
            process.stdin.flush()
            wrong = self._listen(process, job, waiting, until_s)
        except OSError as error:
            wrong = f"the sender cannot be reached: {error.strerror}"
        if wrong:
            self._end()
        for name in sorted(waiting):
            job.heard(name, wrong or "the sender said nothing about it")

    def _listen(self, process: subprocess.Popen[bytes], job: Job, waiting: set[str], until_s: float) -> str:
        """Takes answers until the request is done. Returns "" then, else what went wrong."""
        assert process.stdout is not None
        while True:
            while b"\n" in self._rest:
                line, _, self._rest = self._rest.partition(b"\n")
                answer = json.loads(line)
                if answer["no"] != self._number:
                    continue
                if answer.get("done"):
                    return ""
                waiting.discard(answer["channel"])
                job.heard(answer["channel"], answer["wrong"])
            left_s = until_s - real_s()
            ready = select.select([process.stdout], [], [], max(0.0, left_s))[0] if left_s > 0 else []
            if not ready:
                self.killed += 1
                return f"no answer within {self.limit_s:g} s"
            data = os.read(process.stdout.fileno(), 65_536)
            if not data:
                return "the sender ended unexpectedly"
            self._rest += data

    def _ready(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is None:
            return self._process
        self._end()
        self.lives += 1
        self._rest = b""
        self._process = subprocess.Popen(
            self._argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True
        )
        return self._process

    def _end(self) -> None:
        """Ends the process with all it started."""
        process, self._process = self._process, None
        if process is None:
            return
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    pass
