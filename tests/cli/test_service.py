"""Commands beside the service: where it keeps its socket and its secrets, and what set-up does for it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from click.testing import CliRunner

from kojimon.cli.main import cli
from kojimon.cli.setup import command as setup
from kojimon.cli.shared import opening, service
from kojimon.daemon import keep
from kojimon.errors import KojimonError, UsageError
from kojimon.settings.secrets import credential, read_secret
from kojimon.settings.spec import Secret
from kojimon.web.client.local import Client
from kojimon.web.http import door
from tests.daemon.running import broker_site, running

ROOT_ONLY = pytest.mark.skipif(os.geteuid() != 0, reason="only root sets up the service")


def test_a_command_finds_the_service_s_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The service's run folder is systemd's; the person's session has another."""
    own, service_folder = tmp_path / "own", tmp_path / "service"
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(own))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    own.mkdir()
    monkeypatch.setattr(door, "SERVICE_FOLDER", service_folder)
    settings = broker_site(tmp_path, run_folder=str(service_folder))
    with running(settings):
        assert Client.for_journal(settings.journal.path).running()
        only = opening.only_daemon()
        assert only is not None and only.running()
    assert not Client.for_journal(settings.journal.path).running()


def test_the_person_s_own_daemon_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(door, "SERVICE_FOLDER", tmp_path / "service")
    own = door.socket_path("j")
    assert door.client_path("j") == own
    (tmp_path / "service").mkdir()
    (tmp_path / "service" / own.name).touch()
    assert door.client_path("j") == tmp_path / "service" / own.name
    own.touch()
    assert door.client_path("j") == own
    assert door.client_path("j", "/elsewhere") == Path("/elsewhere") / own.name


def test_a_secret_comes_from_the_service_manager_s_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """LoadCredential=secrets:/etc/kojimon/secrets: a folder's files get its name in front (systemd.exec(5))."""
    secret = Secret(file="/etc/kojimon/secrets/phone-url")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    with pytest.raises(UsageError, match="cannot be read"):
        read_secret(secret)
    (tmp_path / "secrets_phone-url").write_text("mailto://x\n")
    assert read_secret(secret) == "mailto://x"
    assert credential(Path("/etc/kojimon/secrets/other")) is None
    monkeypatch.delenv("CREDENTIALS_DIRECTORY")
    assert credential(Path(secret.file)) is None


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What deploy/install.sh makes, below a folder of the test."""
    (tmp_path / "etc" / "secrets").mkdir(parents=True)
    (tmp_path / "state").mkdir()
    monkeypatch.setattr(service, "CONFIG", tmp_path / "etc")
    monkeypatch.setattr(service, "STATE", tmp_path / "state")
    monkeypatch.setattr(service, "SYSTEMD", tmp_path / "systemd")
    return tmp_path


@ROOT_ONLY
def test_root_sets_up_the_service_where_it_is_installed(installed: Path) -> None:
    assert service.for_service()
    assert setup.default_file() == Path("/etc/kojimon/kojimon.yaml")
    assert setup.default_journal() == installed / "state" / "kojimon.journal"
    assert service.secret_place(installed / "etc" / "kojimon.yaml", "pw") == installed / "etc" / "secrets" / "pw"
    assert service.secret_place(installed / "kojimon.yaml", "pw") == installed / "pw"


@ROOT_ONLY
def test_the_settings_are_handed_to_the_service_alone(installed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = installed / "etc" / "kojimon.yaml"
    target.write_text("x")
    monkeypatch.setattr(service, "NAME", "daemon")
    service.hand_over(target)
    assert stat.S_IMODE(target.stat().st_mode) == 0o640 and target.stat().st_gid != 0
    monkeypatch.setattr(service, "NAME", "nobody-has-this-group")
    with pytest.raises(KojimonError, match=r"Run deploy/install\.sh again"):
        service.hand_over(target)


def test_a_bad_edit_keeps_nobody_from_the_service_that_runs_on(installed: Path) -> None:
    """The service keeps its last good settings in its own state folder, not in the person's."""
    config = installed / "etc" / "kojimon.yaml"
    config.write_text("site: home\nsurprise: 1\n")
    settings = broker_site(installed)
    keep(settings, config, service.STATE)
    with running(settings):
        seen = CliRunner().invoke(cli, ["status", "--config", str(config)])
        assert seen.exit_code == 0 and "the last good settings stay in use" in seen.output
    gone = CliRunner().invoke(cli, ["status", "--config", str(config)])
    assert gone.exit_code == 2 and "surprise" in gone.output


def fake_systemctl(folder: Path, text: str) -> None:
    (folder / "bin").mkdir()
    command = folder / "bin" / "systemctl"
    command.write_text(f"#!/bin/sh\n{text}\n")
    command.chmod(0o755)


def test_the_service_is_enabled_started_and_answers(installed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (installed / "systemd").mkdir()
    fake_systemctl(installed, f'echo "$@" >> {installed}/asked')
    monkeypatch.setenv("PATH", f"{installed}/bin", prepend=os.pathsep)
    monkeypatch.setattr(door, "SERVICE_FOLDER", installed / "run")
    settings = broker_site(installed)
    with running(settings):
        looked: list[Path] = []

        def find() -> Client:
            """The first look comes too early, as when the service has only just been started."""
            looked.append(installed / ("run" if looked else "not-yet"))
            return Client.for_journal(settings.journal.path, looked[-1])

        assert service.begin(find) and len(looked) == 2
    assert (installed / "asked").read_text() == "enable kojimon\nrestart kojimon\n"


def test_a_service_that_does_not_start_is_said_with_systemd_s_words(
    installed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = Client(installed / "nothing.sock")
    assert not service.begin(lambda: client), "no systemd: nothing is started"
    (installed / "systemd").mkdir()
    fake_systemctl(installed, "echo 'Unit kojimon.service not found.' >&2; exit 5")
    monkeypatch.setenv("PATH", f"{installed}/bin", prepend=os.pathsep)
    with pytest.raises(KojimonError, match=r"enable kojimon: Unit kojimon\.service not found\.\nSee: journalctl"):
        service.begin(lambda: client)
