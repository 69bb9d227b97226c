"""A process of our own under everything that goes wrong with one: killed, hanging, silent, babbling without end."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from kojimon import child as children
from kojimon.child import Child, ChildError, environment
from kojimon.clock import Backoff
from tests.parts.wait import DEADLINE_S, until

ECHO = "import sys\nfor line in sys.stdin: print('heard', line, end='', flush=True)"
HANGS = "import time\nwhile True: time.sleep(0.05)"
SILENT = "import os, sys; sys.stdin.readline(); os.close(1); sys.stdin.read()"
FLOODS = "import sys; sys.stdin.readline(); sys.stdout.write('x' * 3_000_000); sys.stdin.read()"
CHATTERS = "import sys; sys.stdin.readline(); print('one\\ntwo', flush=True); sys.stdin.read()"
ENDS = "import sys; sys.stdin.readline(); sys.exit(3)"
NEVER_READS = "import sys, time\nwhile True: time.sleep(0.05)"


def python(code: str, limit_s: float = DEADLINE_S, **more: Any) -> Child:
    return Child("the tester", (sys.executable, "-c", code), limit_s, **more)


@pytest.fixture
def descriptors() -> Iterator[None]:
    """Whoever opened a pipe has closed it when all is over."""
    before = len(list(Path("/proc/self/fd").iterdir()))
    yield
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def gone(pid: int) -> bool:
    try:
        return " Z " in Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return True


@pytest.mark.usefixtures("descriptors")
@pytest.mark.parametrize(
    ("code", "limit_s", "says"),
    [(HANGS, 0.5, "the tester did not answer within 0.5 s and was ended"),
     (SILENT, DEADLINE_S, "the tester ended unexpectedly"),
     (FLOODS, DEADLINE_S, "the tester answered without end; it was ended"),
     (CHATTERS, DEADLINE_S, "the tester said more than it was asked; it was ended"),
     (ENDS, DEADLINE_S, "the tester ended unexpectedly (code 3)")],
    ids=["hangs", "silent", "floods", "chatters", "ends"],
)  # fmt: skip
def test_what_is_not_as_it_should_be_is_ended_and_said(
    code: str, limit_s: float, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(children, "END_S", 0.5 if code is SILENT else DEADLINE_S)
    one = python(code, limit_s)
    with pytest.raises(ChildError) as told:
        one.ask(b"a\n")
    assert str(told.value).startswith(says)
    assert one.pid is None and one.hung == (code is HANGS)


@pytest.mark.usefixtures("descriptors")
def test_one_that_is_just_being_started_is_ended_too(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[subprocess.Popen[bytes]] = []
    begun, let = threading.Event(), threading.Event()
    real = subprocess.Popen

    def slow(*arguments: Any, **more: Any) -> subprocess.Popen[bytes]:
        begun.set()
        assert let.wait(DEADLINE_S)
        made.append(real(*arguments, **more))
        return made[0]

    def ask() -> None:
        with suppress(ChildError):
            one.ask(b"a\n")

    one = python(HANGS)
    monkeypatch.setattr(children.subprocess, "Popen", slow)
    asking, ending = threading.Thread(target=ask), threading.Thread(target=one.end)
    asking.start()
    assert begun.wait(DEADLINE_S)
    ending.start()
    ending.join(0.3)  # where it does not wait for the start, it is over by now
    let.set()
    ending.join(DEADLINE_S)
    asking.join(DEADLINE_S)
    assert not ending.is_alive() and not asking.is_alive()
    assert one.pid is None and gone(made[0].pid)


@pytest.mark.usefixtures("descriptors")
def test_a_line_that_nobody_reads_hangs_too() -> None:
    one = python(NEVER_READS, 0.5)
    with pytest.raises(ChildError, match="did not answer"):
        one.ask(b"x" * 1_000_000 + b"\n")
    assert one.pid is None


@pytest.mark.usefixtures("descriptors")
def test_one_that_cannot_be_started_is_said() -> None:
    one = Child("the tester", ["/no/such/program"], 1.0)
    with pytest.raises(ChildError, match=r"^the tester cannot be started: No such file or directory$"):
        one.ask(b"a\n")
    assert one.lives == 0


@pytest.mark.usefixtures("descriptors")
def test_after_kill_9_a_fresh_one_is_told_its_first_line_again() -> None:
    one = python(ECHO, first=lambda: b"life %d\n" % one.lives)
    assert next(one.answers(b"a\n")) == b"heard life 0"
    pid = one.pid
    assert pid is not None and one.ended() == ""
    os.kill(pid, signal.SIGKILL)
    until(lambda: one.ended() == "signal 9")
    assert one.pid is None
    assert next(one.answers(b"b\n")) == b"heard life 1"
    assert one.lives == 2 and one.pid not in (None, pid)
    one.end()
    assert gone(pid) and one.ended() == ""


@pytest.mark.usefixtures("descriptors")
def test_whoever_waits_hears_at_once_when_another_thread_kills() -> None:
    one = python("import sys; sys.stdin.read()", 60.0)
    threading.Timer(0.05, lambda: (until(lambda: one.pid), one.kill())).start()
    with pytest.raises(ChildError, match="signal 9"):
        one.ask(b"a\n")
    one.kill()  # where none runs it is nothing


@pytest.mark.usefixtures("descriptors")
def test_what_it_started_ends_with_it() -> None:
    code = "import subprocess, sys; p = subprocess.Popen(['sleep', '1000']); print(p.pid, flush=True); sys.stdin.read()"
    for dies_first in (False, True):
        one = python(code)
        inner = int(next(one.answers(b"")))
        assert not gone(inner)
        if dies_first:
            os.kill(one.pid or 0, signal.SIGKILL)
            until(lambda one=one: one.ended())
        one.end()
        until(lambda inner=inner: gone(inner))


def test_it_ends_when_its_input_ends() -> None:
    one = python(ECHO)
    assert one.ask(b"a\n") == b"heard a"
    process = one._process
    assert process is not None and process.stdin is not None
    process.stdin.close()
    until(lambda: one.ended() == "code 0")
    one.end()


def test_it_finds_no_secret_in_its_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("KOJIMON_MQTT_PASSWORD", "NOTIFY_SOCKET", "CREDENTIALS_DIRECTORY", "PULSE_SERVER"):
        monkeypatch.setenv(name, "hunter22")
    monkeypatch.setenv("https_proxy", "http://proxy:3128")
    monkeypatch.setenv("MALLOC_ARENA_MAX", "1")  # of the unit: it keeps every process small
    code = "import os, sys; sys.stdin.readline(); print(sorted(os.environ), flush=True); sys.stdin.read()"
    found = []
    for more in ("", r"PULSE_\w+"):
        one = python(code, environment=environment(more))
        found.append(set(one.ask(b"a\n").decode().strip("[]").replace("'", "").split(", ")))
        one.end()
    assert {"PATH", "https_proxy", "MALLOC_ARENA_MAX"} <= found[0]
    assert not {"KOJIMON_MQTT_PASSWORD", "NOTIFY_SOCKET", "CREDENTIALS_DIRECTORY", "PULSE_SERVER"} & found[0]
    assert found[1] - found[0] == {"PULSE_SERVER"}


def test_it_begins_with_signals_as_a_fresh_process_has_them() -> None:
    code = (
        "import signal, sys\nfrom kojimon.child import begin\nbegin()\n"
        "odd = [s.name for s in signal.Signals if signal.getsignal(s) != signal.SIG_DFL]\n"
        "print(odd, signal.pthread_sigmask(signal.SIG_BLOCK, ()), flush=True)\nsys.stdin.read()"
    )
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    try:
        one = python(code)
        assert next(one.answers(b"")) == b"['SIGPIPE'] set()"
    finally:
        signal.signal(signal.SIGHUP, before)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    one.end()


def test_it_gives_way_and_has_so_much_memory_and_no_more() -> None:
    code = "import sys\nsys.stdin.readline()\nx = bytearray(200_000_000)\nprint('got it', flush=True)"
    one = python(ECHO, nice=7)
    one.ask(b"a\n")
    assert os.getpriority(os.PRIO_PROCESS, one.pid or 0) == 7
    one.end()
    with pytest.raises(ChildError, match="code 1"):
        python(code, data_bytes=100_000_000, quiet=True).ask(b"a\n")


def test_delays_grow_and_begin_anew_after_steady_work() -> None:
    back = Backoff(2.0, 10.0, 600.0)
    assert back.due(0.0)
    assert [back.failed(0.0) for _ in range(4)] == [2.0, 4.0, 8.0, 10.0]
    assert not back.due(9.9)
    assert back.due(10.0)
    back.worked(10.0)
    back.worked(500.0)
    assert back.failed(500.0) == 10.0, "not yet steady"
    back.at_once()
    assert back.due(500.0)
    back.worked(500.0)
    assert back.failed(1200.0) == 2.0


def test_what_need_not_be_steady_begins_anew_at_once() -> None:
    back = Backoff(1.0, 300.0)
    assert [back.failed(0.0), back.failed(1.0)] == [1.0, 2.0]
    back.worked(3.0)
    assert [back.failed(3.0), back.failed(4.0)] == [1.0, 2.0]
