"""Commands against a daemon that runs as a process of its own, on sensor files that the test writes."""

from __future__ import annotations

import json
import signal
from typing import Any

import pytest

from kojimon.rehearsal import Rehearsal, rehearse_batch
from kojimon.settings.load import load_settings
from kojimon.web.client.local import Client
from tests.cli.conftest import Kitchen
from tests.parts.wait import until

pytestmark = pytest.mark.slow


def seen(kitchen: Kitchen, probe: str, value_c: float) -> bool:
    """Whether the daemon has that value of a probe."""
    rows = json.loads(kitchen.run("probes", "--json").stdout)
    return any(row["name"] == probe and row["value"] == value_c for row in rows)


def test_an_evening_at_the_box(kitchen: Kitchen) -> None:
    kitchen.show(koji_top=45.0, koji_low=44.0, air=30.0)
    kitchen.start()
    until(lambda: seen(kitchen, "koji-top", 45.0))

    said = kitchen.run("status").stdout
    assert "The cool box" in said and "No batch is open. The air in the box is at 86.0 °F." in said

    started = kitchen.run("batch", "start", "first", "--rice", "4", "lb").stdout
    assert "Batch first begins with 4.0 lb of rice." in started
    assert "It is no safety cut-out." in " ".join(started.split())

    early = kitchen.run("batch", "done", "inoculate", code=1).stderr
    assert early.startswith("Cool enough? No, it is at 113.0 °F; expected at most 90.0 °F.")
    assert "--thermometer" in early and "--override" in early

    measured = kitchen.run("batch", "done", "tane-kiri", "--thermometer", "89", "F").stdout
    assert "Cool enough? Yes, 89.0 °F by the kitchen thermometer." in measured
    assert "mask while you sprinkle" in " ".join(started.split()), "before it is done"
    assert "mask while you sprinkle" not in " ".join(measured.split())

    status = json.loads(kitchen.run("status", "--json").stdout)
    assert status["incubators"][0]["batch"]["name"] == "first"
    assert status["incubators"][0]["stage"]["name"]

    assert "is not marked as done" in kitchen.run("batch", "undo", "mix", code=2).stderr
    assert "Note: smells sweet" in kitchen.run("batch", "note", "smells", "sweet").stdout
    shown = kitchen.run("batch", "show").stdout
    assert "Note: smells sweet" in shown and "Not done: Cool enough?" in shown

    kitchen.run("export", "first", "-o", "first.csv")
    header = (kitchen.folder / "first.csv").read_text().splitlines()[0]
    assert header == "time,bed-top.temperature_f,bed-bottom.temperature_f,air.temperature_f,step"

    assert "Harvested: 4.9 lb of koji." in kitchen.run("batch", "harvest", "--yield", "2.2", "kg").stdout
    assert "No batch is open" in kitchen.run("batch", "note", "late", code=1).stderr
    code, printed = kitchen.stop()
    assert code == 0
    for line in ("Watching The cool box.", "Batch first begins", "Done: sprinkle the spores.", "Harvested:"):
        assert line in printed
    assert "Traceback" not in printed


def test_an_alarm_is_seen_paused_and_over(kitchen: Kitchen) -> None:
    kitchen.start()
    until(lambda: seen(kitchen, "koji-top", 31.0))
    assert kitchen.run("alarms").stdout == "No alarms.\n"
    assert "Test alarm" in kitchen.run("alarms", "test", "one", "two").stdout
    listed = kitchen.run("alarms").stdout
    assert "Test alarm" in listed and "new" in listed
    assert "Acknowledged: test alarm." in kitchen.run("alarms", "ack", "1").stdout
    kitchen.run("alarms", "test")
    assert "2 h: expected an hour at most" in kitchen.run("alarms", "shelve", "test", "--for", "2", "h", code=1).stderr
    assert "Shelved until" in kitchen.run("alarms", "shelve", "test", "--for", "30", "min").stdout
    assert json.loads(kitchen.run("alarms", "--json").stdout)[0]["state"] == "SHLVD"
    kitchen.run("alarms", "unshelve", "test")
    unknown = kitchen.run("alarms", "ack", "nope", code=2).stderr
    assert "'nope' is not in the list. Expected the number or a part of the name of one of: 1 Test alarm." in unknown


def test_the_journal_of_a_daemon_that_runs_is_read_while_it_writes(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    kitchen.start()
    kitchen.run("batch", "start", "first")
    until(lambda: seen(kitchen, "koji-top", 31.0))
    until(lambda: kitchen.run("batch", "note", "x").exit_code == kitchen.run("export", "first", code=None).exit_code)

    facts = kitchen.run("journal")
    assert "behind the present" in facts.stdout and facts.stderr == ""
    exported = kitchen.run("export", "first")
    assert exported.stdout.startswith("time,bed-top.temperature_f,") and exported.stderr == ""
    told = kitchen.run("export", "first", "--format", "jsonl").stdout.splitlines()
    assert {json.loads(line)["kind"] for line in told} == {"about", "reading", "event"}

    def meanwhile(*given: Any) -> Rehearsal:
        """As when somebody writes a note before the rows are read."""
        kitchen.run("batch", "note", "meanwhile")
        return rehearse_batch(*given)

    with monkeypatch.context() as patched:
        patched.setattr("kojimon.rehearsal.rehearse_batch", meanwhile)
        rehearsed = json.loads(kitchen.run("rehearse", "--batch", "first", "--json").stdout)
    assert rehearsed["same"] is True
    assert "meanwhile" in [event["data"].get("text") for event in rehearsed["events"]]
    kitchen.stop()

    for words in (("export", "first"), ("journal",), ("rehearse", "--batch", "first")):
        said = " ".join(kitchen.run(*words).stderr.split())
        assert said == f"kojimon is not running: read from the file {kitchen.folder}/kojimon.journal."


def test_two_acts_with_one_command_line_each_are_two_acts(kitchen: Kitchen) -> None:
    kitchen.start()
    kitchen.run("batch", "start", "first")
    again = kitchen.run("batch", "start", "second", code=1).stderr
    assert again.startswith("Batch 'first' is open in box; harvest or discard it first")


def test_a_bad_settings_file_does_not_keep_anybody_from_the_daemon_that_runs(kitchen: Kitchen) -> None:
    kitchen.start()
    until(lambda: seen(kitchen, "air", 30.5))
    kitchen.config.write_text(kitchen.config.read_text() + "nonsense: yes\n")
    told = kitchen.run("status")
    assert "No batch is open" in told.stdout
    assert "the last good settings stay in use" in " ".join(told.stderr.split())


def test_a_settings_file_that_is_gone_or_a_folder_does_not_end_the_watch_over_a_batch(kitchen: Kitchen) -> None:
    kitchen.start()
    kitchen.run("batch", "start", "first")
    settings = load_settings(kitchen.config)
    client = Client.for_journal(settings.journal.path, settings.run_folder)
    for wreck in (kitchen.config.unlink, kitchen.config.mkdir):
        kitchen.stop()
        wreck()
        kitchen.daemon = kitchen.spawn("run")
        until(client.running, what="it runs on the last good settings")
        alarms = client.get("/v1/alarms")["alarms"]
        assert [alarm["key"] for alarm in alarms if alarm["key"] == "health/settings"]
    assert client.get("/v1/state")["incubators"][0]["batch"]["name"] == "first"


def test_a_second_daemon_on_the_same_journal_is_refused(kitchen: Kitchen) -> None:
    kitchen.start()
    second = kitchen.child("run")
    assert second.returncode == 1
    assert "is in use by process" in second.stderr
    assert "Traceback" not in second.stderr


def test_status_watch_stays_until_ctrl_c_and_that_is_no_failure(kitchen: Kitchen) -> None:
    kitchen.start()
    watching = kitchen.spawn("status", "--watch")
    assert watching.stdout is not None
    shown = next(line for line in watching.stdout if line.startswith("No alarms"))
    watching.send_signal(signal.SIGINT)
    _, errors = watching.communicate(timeout=60)
    assert (watching.returncode, errors, shown) == (0, "", "No alarms.\n")
