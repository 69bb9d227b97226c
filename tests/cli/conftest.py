"""Commands as a person calls them: in this process for what is quick, as real children where a daemon runs."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kojimon.cli.main import cli
from kojimon.settings.load import load_settings
from kojimon.web.client.local import Client
from tests.parts.wait import until

SETTINGS = """\
site: home
units: {{temperature: {unit}, mass: lb}}
person: {{zone: America/Chicago}}
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, bottom], rice: 4 lb, label: The cool box}}
sources:
  board: {{kind: kernel, root: {folder}/board, poll_every: 0.1 s}}
probes:
  koji-top: {{place: bed, tray: top, file: koji-top, scale: 0.001, every: 1 s}}
  koji-low: {{place: bed, tray: bottom, file: koji-low, scale: 0.001, every: 1 s}}
  air: {{place: air, file: air, scale: 0.001, every: 1 s}}
journal: {{file: kojimon.journal, ballast: 0 MB}}
run_folder: {folder}/run
clock: {{trusted: true}}
web: {{port: 0}}
"""


class Kitchen:
    """A folder with settings, sensor files to write to, and the commands that belong to it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "kojimon.yaml"
        self.daemon: subprocess.Popen[str] | None = None
        self.settings()

    def settings(self, unit: str = "F", **changes: str) -> None:
        text = SETTINGS.format(folder=self.folder, unit=unit)
        for old, new in changes.items():
            text = text.replace(old, new)
        self.config.write_text(text, encoding="utf-8")

    def show(self, **values_c: float) -> None:
        """Lets the sensors read so much (names with _ for -)."""
        board = self.folder / "board"
        board.mkdir(exist_ok=True)
        for name, value in values_c.items():
            fresh = board / f".{name}"
            fresh.write_text(f"{round(value * 1000)}\n")
            fresh.replace(board / name.replace("_", "-"))

    def run(self, *words: str, width: int = 80, typed: str | None = None, code: int | None = 0) -> Result:
        """A command in this process; checks its exit code and that no traceback came."""
        environment = {"KOJIMON_CONFIG": str(self.config), "COLUMNS": str(width), "NO_COLOR": "1"}
        result = CliRunner(env=environment).invoke(cli, list(words), input=typed, catch_exceptions=False)
        assert "Traceback" not in result.output
        if code is not None:
            assert result.exit_code == code, f"{words} gave {result.exit_code}:\n{result.output}"
        return result

    def child(self, *words: str, within_s: float = 60.0, **environment: str) -> subprocess.CompletedProcess[str]:
        """A command as a process of its own, without a terminal."""
        return subprocess.run(
            [sys.executable, "-m", "kojimon", *words], capture_output=True, text=True, timeout=within_s, check=False,
            env=self._environment() | environment, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def spawn(self, *words: str) -> subprocess.Popen[str]:
        """A command as a process of its own that goes on."""
        return subprocess.Popen(
            [sys.executable, "-u", "-m", "kojimon", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=self._environment(), stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def start(self, *words: str) -> subprocess.Popen[str]:
        """`kojimon run` as a child, once it answers."""
        self.daemon = subprocess.Popen(
            [sys.executable, "-u", "-m", "kojimon", "run", *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            text=True, env=self._environment(),
        )  # fmt: skip
        settings = load_settings(self.config)
        client = Client.for_journal(settings.journal.path, settings.run_folder)
        until(lambda: client.running() or self._died(), what="the daemon answers")
        return self.daemon

    def stop(self) -> tuple[int, str]:
        """Ends the daemon as Ctrl-C does. Its exit code and everything it printed."""
        assert self.daemon is not None
        self.daemon.send_signal(signal.SIGINT)
        output, _ = self.daemon.communicate(timeout=60)
        code, self.daemon = self.daemon.returncode, None
        return code, output

    def _died(self) -> bool:
        if self.daemon is not None and self.daemon.poll() is not None:
            raise AssertionError(f"the daemon ended: {self.daemon.communicate()[0]}")
        return False

    def _environment(self) -> dict[str, str]:
        return {**os.environ, "KOJIMON_CONFIG": str(self.config), "COLUMNS": "80", "NO_COLOR": "1", "TERM": "xterm"}


@pytest.fixture
def kitchen(monkeypatch: pytest.MonkeyPatch) -> Iterator[Kitchen]:
    """A kitchen cut off from this machine's own settings."""
    folder = Path(tempfile.mkdtemp(prefix="kj-"))
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_RUNTIME_DIR"):
        monkeypatch.setenv(name, str(folder / "home"))
    for name in (
        "KOJIMON_CONFIG",
        "KOJIMON_TRACE",
        "STATE_DIRECTORY",
        "RUNTIME_DIRECTORY",
        "TZ",
        "LC_ALL",
        "FORCE_COLOR",
    ):
        monkeypatch.delenv(name, raising=False)
    (folder / "home").mkdir()
    monkeypatch.chdir(folder)
    one = Kitchen(folder)
    one.show(koji_top=31.0, koji_low=30.0, air=30.5)
    yield one
    if one.daemon is not None:
        one.daemon.kill()
        one.daemon.communicate(timeout=60)
    shutil.rmtree(folder, ignore_errors=True)
