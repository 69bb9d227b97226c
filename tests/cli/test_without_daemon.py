"""Commands while no daemon runs: they work on the journal, say so, and leave it fit for the next start."""

from __future__ import annotations

import errno
import json
import os
import sqlite3

import pytest

from kojimon.journal.files.beside import Lock
from tests.cli.conftest import Kitchen
from tests.golden import meaning
from tests.parts.opened import reading

NOBODY = "kojimon is not running"


def kinds(kitchen: Kitchen) -> list[str]:
    reader = reading(kitchen.folder / "kojimon.journal")
    try:
        return [event.kind for event in reader.events()]
    finally:
        reader.close()


def test_looking_before_the_first_start_writes_nothing(kitchen: Kitchen) -> None:
    said = kitchen.run("status").stdout
    assert "kojimon is not running." in said
    assert "No batch is open." in said
    assert kitchen.run("batch", "list").stdout == "No batch yet. To open one: kojimon batch start NAME\n"
    assert "There is no journal" in kitchen.run("journal", code=1).stderr
    assert [path.name for path in kitchen.folder.iterdir() if "journal" in path.name] == []


def test_a_batch_begun_in_the_middle_without_a_daemon(kitchen: Kitchen) -> None:
    started = kitchen.run("batch", "start", "first", "--hours-ago", "18", "h", "--rice", "4 lb").stdout
    assert "Batch first begins with 4.0 lb of rice." in started
    assert "Done: sprinkle the spores, at " in started
    assert NOBODY in started
    state = json.loads(kitchen.run("status", "--json").stdout)
    assert round(state["incubators"][0]["batch"]["hour"], 1) == 18.0
    assert state["incubators"][0]["next"]["step"] == "first-check"


def test_a_batch_takes_over_what_was_planned(kitchen: Kitchen) -> None:
    kept = kitchen.folder / "plan.json"
    planned = kitchen.run("plan", "--for", "miso", "--koji-rice", "5 lb", "--save", str(kept)).stdout
    assert "Kept. When you begin (wash the rice): kojimon batch start --plan" in " ".join(planned.split())
    begun = kitchen.run("batch", "start", "winter", "--plan", str(kept)).stdout
    assert "Batch winter begins with 5.0 lb of rice." in begun
    batch = json.loads(kitchen.run("status", "--json").stdout)["incubators"][0]["batch"]
    assert batch["schedule"] == "rice-koji-home-trays"
    begun_with = json.loads(kitchen.run("batch", "list", "--json").stdout)
    assert "Salty miso. Spores planned for" in json.dumps(begun_with)


def test_a_journal_that_somebody_else_holds_is_not_said_to_be_unwatched(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    lock = Lock(kitchen.folder / "kojimon.journal")
    lock.take()
    try:
        for words in (("status",), ("batch", "done", "mix"), ("alarms", "test")):
            told = " ".join(kitchen.run(*words, code=1).stderr.split())
            assert told.startswith(f"Process {os.getpid()} holds the journal")
            assert "run_folder" in told
    finally:
        lock.release()
    assert "first" in kitchen.run("status").stdout


def test_marks_are_dated_back_corrected_and_taken_back(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "20", "h")
    done = kitchen.run("batch", "done", "first-check", "--ago", "40", "min").stdout
    assert "Done: look, break up and mix, at " in done
    assert "Corrected: look, break up and mix, at " in kitchen.run("batch", "correct", "first", "--ago", "1 h").stdout
    assert "is marked already" in kitchen.run("batch", "done", "kirikaeshi", code=1).stderr
    assert "Taken back: look, break up and mix." in kitchen.run("batch", "undo", "kirikaeshi").stdout
    kept = " ".join(kitchen.run("undo", code=2).stderr.split())
    assert "The last entry is of 20 h ago: sprinkle the spores. Without it kojimon does not watch the koji." in kept
    gone = " ".join(kitchen.run("undo", "inoculate").stdout.split())
    assert "Taken back: sprinkle the spores. To put it back: kojimon batch done inoculate --ago 20 h" in gone
    told = [kind for kind in kinds(kitchen) if kind in ("step-done", "step-undone", "step-corrected")]
    assert told == ["step-done", "step-done", "step-corrected", "step-undone", "step-undone"]


def test_a_thermometer_is_believed_within_a_kitchens_reach_and_said_to_be_unused(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "20", "h")
    told = " ".join(kitchen.run("batch", "done", "first-check", "--thermometer", "300F", code=1).stderr.split())
    assert "No kitchen thermometer shows 300 °F (148.9 °C): expected 23 to 266 °F (-5 to 130 °C);" in told
    assert told.rstrip().endswith("Nothing was saved.")
    done = " ".join(kitchen.run("batch", "done", "first-check", "--thermometer", "31 C").stdout.split())
    assert "Done: look" in done and "value was not used: this step asks for no temperature" in done


def test_the_mask_is_told_before_the_spores_are_sprinkled_and_not_after(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    for step in ("wash", "soak", "drain", "steam", "turn"):
        kitchen.run("batch", "done", step)
    before = kitchen.run("batch", "done", "cool").stdout
    after = kitchen.run("batch", "done", "inoculate", "--thermometer", "88 F").stdout
    said = " ".join(before.split())
    assert said.count("FFP2 or N95") == said.count("With asthma or a weak immune system") == 1
    assert said.count("Take care:") == 1 and said.index("Next: sprinkle the spores") < said.index("Take care:")
    assert "FFP2" not in after and "starter sold for food" not in after
    assert " ".join(kitchen.run("batch", "undo", "inoculate").stdout.split()).count("FFP2 or N95") == 1


def test_the_cautions_of_a_schedule_and_of_its_first_step_stand_under_one_heading(kitchen: Kitchen) -> None:
    said = kitchen.run("batch", "start", "first").stdout
    assert said.count("Take care:") == 1 and "another circuit" in said


def test_every_opening_is_a_told_start_and_an_orderly_stop(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    kitchen.run("batch", "note", "cloth", "on")
    told = kinds(kitchen)
    assert told.count("start") == told.count("stop") == 2
    assert told[-1] == "stop"


@pytest.mark.parametrize(
    "words", [("plan", "--for", "koji", "--rice", "4 lb"), ("batch", "note", "x"), ("reading", "95 F")]
)
def test_settings_that_are_refused_are_so_line_by_line_whatever_is_saved(
    kitchen: Kitchen, words: tuple[str, ...]
) -> None:
    bad = kitchen.folder / "bad.yaml"
    bad.write_text("site: x\nzone: here\n")
    done = kitchen.child("--config", str(bad), *words)
    assert done.returncode == 2 and "the unknown key `zone`" in done.stderr
    assert "Nothing was started or changed." in done.stderr


def test_a_note_keeps_what_was_typed(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    text = 'riecht nach Kastanien – 35 °C; "quoted" [bold]x[/bold] 🌾'
    kitchen.run("batch", "note", text)
    assert f"Note: {text}" in " ".join(kitchen.run("batch", "show", width=200).stdout.split())


def test_harvest_ends_the_batch_and_says_how_to_keep_its_curve(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "44", "h")
    ended = kitchen.run("batch", "harvest", "--yield", "2.3 kg", "--note", "white and sweet").stdout
    assert "Look and smell before any taste; a good smell does not prove it safe." in " ".join(ended.split())
    assert ended.count("Take care:") == 1
    assert "kojimon export first -o first.csv" in ended
    row = json.loads(kitchen.run("batch", "list", "--json").stdout)[0]
    assert (row["outcome"], row["yield_kg"], row["note"]) == ("harvest", 2.3, "white and sweet")


def test_a_batch_without_a_reading_cannot_be_exported_and_says_why(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    result = kitchen.run("export", "first", "-o", "x.csv", code=2)
    assert "there are no readings in that time" in result.stderr
    assert not (kitchen.folder / "x.csv").exists()


def test_an_export_to_a_full_card_says_which_file_and_leaves_none(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    kitchen.run("batch", "start", "first")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("kojimon.journal.reading.export.write_curve", full)
    before = sorted(path.name for path in kitchen.folder.iterdir())
    told = kitchen.run("export", "first", "-o", "x.csv", code=1).stderr
    assert "x.csv could not be written (No space left on device); nothing is left of it." in " ".join(told.split())
    assert sorted(path.name for path in kitchen.folder.iterdir()) == before
    assert "could not be written" in kitchen.run("export", "first", "-o", "nowhere/x.csv", code=1).stderr


def test_a_test_alarm_without_a_daemon_waits_for_one(kitchen: Kitchen) -> None:
    told = " ".join(kitchen.run("alarms", "test").stdout.split())
    assert "sent once kojimon runs" in told
    assert json.loads(kitchen.run("journal", "--json").stdout)["messages_waiting"] == 1


def test_what_cannot_be_written_is_not_said_to_stand_in_the_journal(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    kitchen.run("batch", "start", "first")

    def barred(_: object) -> None:
        error = sqlite3.OperationalError("attempt to write a readonly database")
        error.sqlite_errorcode = sqlite3.SQLITE_READONLY
        raise error

    with monkeypatch.context() as card:
        card.setattr("kojimon.journal.writing.storage.Storage._open", barred)
        told = kitchen.run("batch", "note", "nowhere", code=1)
    assert told.stderr.startswith("Nothing was done, for it could not be saved: The journal is read-only. ")
    assert "Alarms go on" not in told.stderr
    assert "stands in the journal" not in told.stdout
    assert "nowhere" not in kitchen.run("batch", "show").stdout


def test_the_journal_can_be_copied(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    assert "Copied and checked" in kitchen.run("journal", "backup", "copies").stdout
    assert (kitchen.folder / "copies" / "kojimon.journal.1").is_file()
    assert "Which folder?" in kitchen.run("journal", "backup", code=2).stderr
    assert "is the journal's own" in kitchen.run("journal", "backup", ".", code=1).stderr


def test_the_journal_can_be_checked_and_taken_back(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    kitchen.run("journal", "backup", "copies")
    kitchen.run("batch", "note", "after the copy")
    assert "is whole: " in kitchen.run("journal", "check").stdout
    assert "1 batch, 0 photos" in " ".join(kitchen.run("journal", "check", "copies/kojimon.journal.1").stdout.split())
    said = " ".join(kitchen.run("journal", "restore", "copies").stdout.split())
    assert "is as the copy has it" in said and "kojimon.journal.before-restore-" in said
    assert "after the copy" not in kitchen.run("batch", "show").stdout
    (kitchen.folder / "copies" / "kojimon.journal.1").write_bytes(b"no journal at all")
    assert "no journal of kojimon" in " ".join(kitchen.run("journal", "restore", "copies", code=1).stderr.split())


def test_a_rehearsal_of_a_batch_gives_its_own_events(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "20", "h")
    kitchen.run("batch", "done", "first-check")
    kitchen.run("batch", "harvest")
    again = json.loads(kitchen.run("rehearse", "--batch", "first", "--json").stdout)
    assert again["same"] is True
    assert [event["kind"] for event in again["events"]][-1] == "batch-harvest"
    other = json.loads(kitchen.run("rehearse", "--batch", "first", "--schedule", "rice-koji-sake", "--json").stdout)
    assert other["schedule"] == "rice-koji-sake" and other["same"] is None
    assert other["events"][0]["data"]["schedule"] == "rice-koji-sake"


def test_a_rehearsal_of_a_batch_is_told_in_the_unit_asked_for(kitchen: Kitchen) -> None:
    meaning.unpacked(meaning.GOLDEN / "0.1.0", kitchen.folder).rename(kitchen.folder / "kojimon.journal")
    told = {unit: kitchen.run("rehearse", "--batch", "box-27", "--unit", unit).stdout for unit in "CF"}
    assert "°C" in told["C"] and "°F" not in told["C"]
    assert "°F" in told["F"] and "°C" not in told["F"]
