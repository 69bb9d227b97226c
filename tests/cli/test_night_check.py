"""`kojimon alarms night-check`, `test --probe`: a real daemon, a real web receiver, answered as a phone would."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from typing import cast

import pytest
from msgspec import structs

from kojimon.cli.commands import night_check as checking
from kojimon.cli.shared.kitchen import LiveKitchen
from kojimon.contract.night import NightCheck, Trial
from kojimon.settings.load import load_settings
from kojimon.web.client.local import Client
from tests.cli.conftest import Kitchen
from tests.cli.test_live import seen
from tests.parts.receiver import Receiver
from tests.parts.wait import until

pytestmark = pytest.mark.slow(5)


@pytest.fixture
def phone() -> Iterator[Receiver]:
    with Receiver() as receiver:
        yield receiver


def with_phone(kitchen: Kitchen, url: str) -> Client:
    (kitchen.folder / "url").write_text(f"{url}\n")
    text = kitchen.config.read_text()
    more = "speaker: {use: false}\nchannels: {phone: {kind: service, url: {file: url}}}\n"
    kitchen.config.write_text(text + more)
    kitchen.start()
    until(lambda: seen(kitchen, "koji-top", 31.0))
    settings = load_settings(kitchen.config)
    return Client.for_journal(settings.journal.path, settings.run_folder)


def answer(client: Client, channel: str = "page", occurrence: int = 1) -> None:
    data = {"key": "test", "occurrence": occurrence}
    client.act({"kind": "alarm.acknowledge", "who": "anna", "channel": channel, "incubator": "", "data": data})


def ended(child: subprocess.Popen[str]) -> tuple[int, str, str]:
    output, errors = child.communicate(timeout=60)
    return child.returncode, " ".join(output.split()), " ".join(errors.split())


def test_a_test_answered_on_the_phone_arms_the_night(kitchen: Kitchen, phone: Receiver) -> None:
    """Requirement: given arming for the night, then a test alarm (tagged Testing) must be acked on the phone within
    5 min, else the batch screen says Night check not passed."""
    client = with_phone(kitchen, phone.url)
    started = kitchen.run("batch", "start", "first").stdout
    stands = "Night check not passed: no test was acknowledged today. Alarms still run."
    assert f"{stands} To pass it: kojimon alarms night-check." in " ".join(started.split())
    assert "The probe-to-phone test was never done." in " ".join(started.split())
    checking = kitchen.spawn("alarms", "night-check")
    until(lambda: any(got.title.startswith("TEST ONLY") for got in list(phone.got)))
    answer(client)
    code, output, errors = ended(checking)
    assert (code, errors) == (0, "")
    assert "through the phone's night mode" in output
    assert "phone: sent after" in output
    assert "Acknowledged by anna (page)" in output
    assert "Night check passed: acknowledged by anna" in output
    for command in ("status", "check"):
        assert "Night check passed: acknowledged by anna" in " ".join(kitchen.run(command).stdout.split())


def test_a_phone_that_cannot_be_reached_and_an_answer_at_the_computer_do_not_arm(
    kitchen: Kitchen, phone: Receiver
) -> None:
    client = with_phone(kitchen, phone.url)
    phone.status = 503
    checking = kitchen.spawn("alarms", "night-check")
    assert checking.stdout is not None
    said: list[str] = []
    while "phone: failed" not in " ".join(said):
        said.append(checking.stdout.readline())
    answer(client, "cli")
    code, _, errors = ended(checking)
    assert code == 1
    wrong = "the test was not sent over any channel. Alarms still run. See: kojimon alarms."
    assert errors == f"Night check not passed: {wrong}"


def test_without_daemon_or_channel_it_is_said_at_once(kitchen: Kitchen) -> None:
    told = kitchen.run("alarms", "night-check", code=1).stderr
    assert told.startswith("kojimon is not running, so it can send nothing.")
    kitchen.config.write_text(kitchen.config.read_text() + "speaker: {use: false}\n")
    kitchen.start()
    assert "there is no channel and no loudspeaker" in kitchen.run("alarms", "night-check", code=1).stderr
    refused = kitchen.run("alarms", "test", "--probe", "koji-left", code=1).stderr.lower()
    assert "no reading from a probe 'koji-left'; there are readings from: koji-top" in refused


@pytest.mark.slow(25)
def test_a_warmed_probe_is_timed_to_the_phone(kitchen: Kitchen, phone: Receiver) -> None:
    """Requirement: given a probe warmed past H, then the whole chain probe -> phone is done in on-delay +
    60 s, result stored with date."""
    client = with_phone(kitchen, phone.url)
    testing = kitchen.spawn("alarms", "test", "--probe", "koji-top")
    assert testing.stdout is not None
    first = testing.stdout.readline() + testing.stdout.readline() + testing.stdout.readline()
    assert "it is at 87.8 °F and has 15 min to reach 91.4 °F" in " ".join(first.split())
    kitchen.show(koji_top=34.0)
    until(lambda: any(got.title.startswith("TEST") for got in list(phone.got)))
    answer(client)
    code, output, errors = ended(testing)
    assert (code, errors) == (0, "")
    assert "koji-top 93.2 °F" in output
    assert "Probe koji-top: 2" in output and "s to phone, in time. Saved with today's date." in output
    probe_tests = client.get("/v1/health")["parts"]["notify"]["night_check"]["probe_tests"]
    assert probe_tests["koji-top"]["passed"] and probe_tests["koji-top"]["out_s"]["phone"] < 60
    assert "never tried" not in kitchen.run("check").stdout


def test_who_answers_before_the_receipt_of_the_message_has_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The phone rings before its sender's answer is back here."""
    quick = Trial(5, "", 0.0, {}, {}, 1.0, "", "page", True, False)
    seen = iter([quick, quick, structs.replace(quick, out_s={"phone": 1.5})])
    monkeypatch.setattr(checking, "_night_check", lambda _: NightCheck(last=next(seen)))
    monkeypatch.setattr(checking, "wait_s", lambda _: None)
    checking._follow(cast(LiveKitchen, None), -1)
    assert "phone: sent after 1.5 s" in capsys.readouterr().out
    monkeypatch.setattr(checking, "_night_check", lambda _: NightCheck(last=quick))
    checking._follow(cast(LiveKitchen, None), -1)


def test_every_act_on_an_alarm_has_its_command(kitchen: Kitchen) -> None:
    kitchen.start()
    until(lambda: seen(kitchen, "koji-top", 31.0))
    kitchen.run("alarms", "test")
    assert "Silenced until" in kitchen.run("alarms", "silence", "test", "--for", "5", "min").stdout
    assert "2 h: expected an hour at most" in kitchen.run("alarms", "silence", "test", "--for", "2", "h", code=1).stderr
    assert "only what is kept is reset" in kitchen.run("alarms", "reset", "test").stdout
    assert "Out of service" in kitchen.run("alarms", "out-of-service", "test").stdout
    assert "it is out of service already" in kitchen.run("alarms", "out-of-service", "test").stdout
    assert "Test alarm" in kitchen.run("alarms", "in-service", "test").stdout
    assert "Fixed: test alarm (heard it)." in kitchen.run("alarms", "confirm", "test", "--note", "heard it").stdout
