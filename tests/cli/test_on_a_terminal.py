"""What stands on a real terminal: hints that can be pasted, text above a progress bar, a headline that stays."""

from __future__ import annotations

import fcntl
import os
import re
import struct
import subprocess
import sys
import termios
from collections.abc import Iterator

import pytest

from kojimon.cli.main import COMMANDS
from kojimon.cli.shared import screen


@pytest.fixture
def typed() -> Iterator[None]:
    screen.typed(".venv/bin/kojimon", COMMANDS)
    yield
    screen.typed("kojimon", COMMANDS)


def shown(code: str, rows: int = 24) -> str:
    """What a program prints on a terminal of 80 columns, escapes included."""
    own, its = os.openpty()
    fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", rows, 80, 0, 0))
    run = {"stdin": subprocess.DEVNULL, "stdout": its, "stderr": its}
    environment = {**os.environ, "TERM": "xterm", "NO_COLOR": "1"}
    for name in ("COLUMNS", "LINES"):
        environment.pop(name, None)
    said = "from kojimon.cli.shared import screen\n"
    with subprocess.Popen([sys.executable, "-c", said + code], env=environment, **run) as child:  # type: ignore[call-overload]
        os.close(its)
        parts = []
        while True:
            try:
                part = os.read(own, 65_536)
            except OSError:  # its end is closed
                break
            if not part:
                break
            parts.append(part)
        child.wait(60)
    os.close(own)
    assert child.returncode == 0, b"".join(parts)
    return b"".join(parts).decode()


@pytest.mark.usefixtures("typed")
def test_a_hint_names_the_program_and_its_settings_as_they_were_typed() -> None:
    assert screen.unbroken("To start it: kojimon run") == "To start it: .venv/bin/kojimon run"
    screen.with_settings("my box.yaml")
    assert screen.unbroken("See: kojimon alarms, kojimon check") == (
        "See: .venv/bin/kojimon --config 'my box.yaml' alarms, .venv/bin/kojimon --config 'my box.yaml' check"
    )
    plain = "kojimon is not running. kojimon runs again."
    assert screen.unbroken(plain) == plain


@pytest.mark.usefixtures("typed")
def test_no_line_breaks_a_hint(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    screen.say("Nobody has marked this step so far. To mark it: kojimon batch done first-check")
    assert ".venv/bin/kojimon batch done first-check" in capsys.readouterr().out.splitlines()


def test_text_does_not_glue_to_a_progress_bar() -> None:
    out = shown("with screen.progress('Rehearsing', 10) as bar:\n    bar(3)\n    screen.say('A line of its own.')\n")
    assert "Rehearsing" in out
    before = out[: out.index("A line of its own.")]
    assert re.search(r"(\n|\r|\x1b\[2K|\x1b\[1A)\Z", before), repr(before[-80:])


def test_a_screen_that_is_too_low_keeps_its_headline() -> None:
    lines = "for n in range(40):\n        screen.say(f'line {n}')\n"
    out = shown(f"with screen.page():\n    screen.say('The headline')\n    {lines}", rows=12)
    page = out.replace("\r", "").split("\x1b[H")[-1].removeprefix("\x1b[2J").rstrip("\n").split("\n")
    assert page[0].endswith("The headline") and len(page) <= 11
    assert page[-1] == "(31 more lines: make the window taller)"
