"""`kojimon status --curve` in terminals of every kind: narrow, without colour, with plain letters only."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from kojimon.cli.main import cli
from tests.parts.need import need
from tests.review.kitchen import Kitchen

CONFIG = """
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, middle]}}
sources:
  mqtt: {{kind: mqtt, host: 127.0.0.1, port: 1}}
probes:
  bed: {{place: bed, tray: top, topic: bed}}
  bed-2: {{place: bed, tray: middle, topic: bed-2}}
  air: {{place: air, topic: air}}
journal: {{file: {journal}, ballast: 0 MB}}
run_folder: run
"""


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A batch 30 hours old that nobody watches just now."""
    folder = tmp_path_factory.mktemp("dark")
    kitchen = Kitchen(folder).begin()
    for hour in range(30):
        for minute in (*range(0, 60, 5), 59):
            kitchen.read(hour + minute / 60, "bed", 31 + hour / 4 + minute / 100)
            kitchen.read(hour + minute / 60, "air", 30 + minute / 100)
    kitchen.act(24.0, "step.done", step="first-check")
    kitchen.write(30.0).close()
    file = folder / "kojimon.yaml"
    file.write_text(CONFIG.format(journal=kitchen.path), encoding="utf-8")
    yield file


def said(config: Path, *words: str, width: int = 80) -> str:
    environment = {"KOJIMON_CONFIG": str(config), "COLUMNS": str(width), "LINES": "50", "NO_COLOR": "1"}
    result = CliRunner(env=environment).invoke(cli, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.mark.parametrize("width", [40, 80])
def test_the_whole_batch(config: Path, width: int) -> None:
    text = said(config, "status", "--curve", width=width)
    assert ("koji C air C" if width == 80 else "koji C") in text and " Look" in text
    assert max(len(line) for line in text.splitlines()) <= width
    assert "\x1b" not in text
    hours = [line.split()[0] for line in text.splitlines() if line[:4].strip().isdigit()]
    assert hours[0] == "0" and float(hours[-1]) >= 28


def test_the_last_hours(config: Path) -> None:
    text = said(config, "status", "--curve", "--last", "6", "h")
    hours = [float(line.split()[0]) for line in text.splitlines() if line[:4].strip().isdigit()]
    assert 23 <= hours[0] <= 25
    wrong = CliRunner(env={"KOJIMON_CONFIG": str(config)}).invoke(cli, ["status", "--last", "6h"])
    assert wrong.exit_code != 0 and "goes with --curve" in wrong.output


def test_a_terminal_with_plain_letters_only(config: Path) -> None:
    """POSIX locale: only the portable character set is sure (POSIX.1-2017, Base Definitions, 6.1)."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "KOJIMON_CONFIG": str(config), "LC_ALL": "C", "COLUMNS": "80", "TERM": "dumb"}
    command = [sys.executable, "-m", "kojimon", "status", "--curve"]
    process = subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL, env=environment)
    os.close(theirs)
    written = b""
    try:
        while part := os.read(ours, 65_536):
            written += part
    except OSError:  # the other end is gone: Linux says so with EIO
        pass
    finally:
        os.close(ours)
    assert process.wait(60) == 0
    text = written.decode("ascii")
    assert "koji C air C" in text and re.search(r"\d\d\.\d C", text)
    assert not re.search(r"\d ?\?", text)


def test_what_is_drawn_as_a_table(config: Path) -> None:
    target = config.with_name("drawn.csv")
    said(config, "curve", "-o", str(target), "--force")
    rows = target.read_text(encoding="utf-8").splitlines()
    assert rows[0] == "probe,label,hour,low,high"
    tops = [float(row.split(",")[-1]) for row in rows[1:] if row.startswith("bed,")]
    assert max(tops) == pytest.approx(31 + 29 / 4 + 0.59)


def test_a_picture_in_pixels(config: Path) -> None:
    """PNG: signature and IHDR as of ISO/IEC 15948 (PNG second edition), 5.2 and 11.2.2."""
    need("libcairo.so.2")
    target = config.with_name("drawn.png")
    said(config, "curve", "-o", str(target), "--force", "--width", "360")
    data = target.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n" and data[12:16] == b"IHDR"
    assert int.from_bytes(data[16:20]) == 720
    image = Image.open(target)
    assert len(image.getcolors(1 << 20) or ()) > 50  # an empty sheet has one colour
