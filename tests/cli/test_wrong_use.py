"""What a person sees for every kind of wrong use: one paragraph that says what to do, exit code 2 (or 1: not now)."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest

from kojimon.cli.main import COMMANDS, cli
from tests.cli.conftest import Kitchen
from tests.parts.broker import Broker


def every_command() -> list[tuple[str, ...]]:
    """Each command and each one below it."""
    found: list[tuple[str, ...]] = []
    context = click.Context(cli)
    for name in COMMANDS:
        command = cli.get_command(context, name)
        assert command is not None
        found.append((name,))
        if isinstance(command, click.Group):
            found += [(name, inner) for inner in command.commands]
    return found


@pytest.mark.parametrize("words", every_command(), ids=" ".join)
@pytest.mark.parametrize("width", [80, 40])
def test_every_command_has_help_with_an_example_of_itself(kitchen: Kitchen, words: tuple[str, ...], width: int) -> None:
    text = kitchen.run(*words, "--help", width=width).stdout
    assert "Example" in text
    assert f"kojimon {' '.join(words)}" in text.split("Example")[1]
    body = text.split("Example")[0].splitlines()
    assert [line for line in body if len(line) > width] == []


def test_the_help_names_every_command(kitchen: Kitchen) -> None:
    text = kitchen.run("--help").stdout
    for name in (*COMMANDS, "undo"):
        assert f"  {name}" in text
    assert "no safety cut-out" in " ".join(text.replace("-\n  ", "-").split())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("statsu",), "There is no command 'statsu'. Did you mean 'status'?"),
        (("xylophone",), "No such command 'xylophone'."),
        (("status", "--jsn"), "No such option"),
        (("batch", "done"), "Missing argument 'STEP'"),
        (("batch", "start", "x", "--rice", "4"), "'4': expected a mass with its unit, as in `2 kg` or `4 lb`."),
        (("batch", "start", "x", "--rice", "-2 kg"), "expected a mass with its unit"),
        (("batch", "start", "x", "--hours-ago", "soon"), "expected a duration with its unit"),
        (
            ("batch", "done", "mix", "--thermometer", "88"),
            "expected a temperature with its unit, as in `30 C` or `86 F`.",
        ),
        (("batch", "done", "mix", "--thermometer", "-400 C"), "expected a temperature above absolute zero"),
        (
            (
                "batch",
                "note",
            ),
            "Missing argument 'TEXT...'",
        ),
        (("batch", "discard"), "Missing option '--reason'"),
        (("export", "--format", "xls"), "'xls' is not one of 'csv', 'jsonl'."),
        (("rehearse",), "Name a curve file, or a batch with --batch ID."),
        (("rehearse", "x.csv"), "By which schedule? Add --schedule and a file or one of: barley-koji,"),
        (
            ("rehearse", "x.csv", "--schedule", "sake"),
            "sake: no such schedule. Expected a file, or one of: barley-koji,",
        ),
        (("rehearse", "x.csv", "--schedule", "rice-koji-sake"), "x.csv: cannot be read (No such file or directory)"),
        (
            ("status", "--config", "none.yaml"),
            "none.yaml: there is no such settings file. To make one: kojimon --config none.yaml setup -o",
        ),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_usage_is_told_in_words_and_is_2(kitchen: Kitchen, words: tuple[str, ...], told: str) -> None:
    result = kitchen.run(*words, code=2)
    assert result.stdout == ""
    assert told in " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("batch", "done", "mix"), 1, "No batch is open in box. To open one: kojimon batch start NAME"),
        (("batch", "show"), 1, "There is no batch yet."),
        (("batch", "start", "x", "-i", "cellar"), 2, "There is no box 'cellar'. There is: box."),
        (("batch", "start", "x", "--schedule", "beer"), 1, "No schedule 'beer'"),
        (("batch", "start", "x", "--hours-ago", "90 d"), 1, "more than 60 days ago"),
        (("alarms", "ack", "1"), 2, "1: there are no alarms now. To look again: kojimon alarms"),
        (("alarms", "shelve"), 2, "Missing argument"),
        (("alarms", "test", "--loud"), 2, "No such option"),
        (("alarms", "test", "--probe", "koji", "hello"), 2, "leave 'hello' out"),
        (("alarms", "pause", "1"), 2, "1: there are no alarms now."),
        (("probes", "move", "koji-1", "--to", "top"), 2, "Expected one of: koji-top, koji-low, air."),
        (("probes", "move", "koji-top", "--to", "attic"), 1, "No batch is open in box; start one first."),
        (("undo",), 1, "No batch is open in box."),
        (("export",), 1, "There is no batch yet."),
        (("rehearse", "--batch", "x"), 1, "There is no batch yet."),
        (("journal",), 1, "There is no journal"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_what_cannot_be_done_says_why(kitchen: Kitchen, words: tuple[str, ...], code: int, told: str) -> None:
    assert told in " ".join(kitchen.run(*words, code=code).stderr.split())


def test_within_a_batch_a_wrong_step_time_or_alarm_is_explained(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "20 h")

    def told(*words: str, code: int = 2) -> str:
        return " ".join(kitchen.run(*words, code=code).stderr.split())

    assert "This batch has no step 'mixx'. Did you mean 'mix'? Its steps are:" in told("batch", "done", "mixx")
    assert "inoculate (tane-kiri)" in told("batch", "done", "stir")
    both = told("batch", "done", "cover")
    assert "'cover' may mean wrap and unwrap. Which one? kojimon batch done wrap # Cover the trays" in both
    kitchen.run("batch", "done", "first-check")
    for command, said in (("done", "Done: see to the covers of the trays."), ("undo", "see to the covers")):
        assert said in kitchen.run("batch", command, "cover").stdout
    assert "Say either --at or --ago, not both." in told("batch", "done", "mix", "--at", "9:00", "--ago", "1 h")
    assert "expected a time that has passed" in told("batch", "done", "mix", "--at", "noonish")
    assert "Say when it was done: --at 14:20 or --ago 40 min." in told("batch", "correct", "inoculate")
    assert "is not marked as done, so there is nothing to change" in told("batch", "undo", "mix")
    assert "'second' is no batch. The last ones are: box-" in told("batch", "show", "second")
    assert "harvest or discard it first" in told("batch", "start", "second", code=1)


def test_while_the_clock_is_not_set_a_time_of_day_is_refused(kitchen: Kitchen) -> None:
    kitchen.config.write_text(kitchen.config.read_text().replace("clock: {trusted: true}\n", ""))
    kitchen.run("batch", "start", "first", "--hours-ago", "20 h")
    result = kitchen.run("batch", "done", "mix", "--at", "9:00", code=None)
    told = " ".join(result.output.split())
    if result.exit_code == 0:  # this machine knows its time by itself
        assert "Done:" in told
    else:
        assert result.exit_code == 2
        assert "the clock of this computer is not set" in told and "--ago 40 min" in told


def test_without_settings_it_says_where_it_looked_and_what_to_do(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    kitchen.config.unlink()
    result = kitchen.child("status", KOJIMON_CONFIG="")
    told = " ".join(result.stderr.split())
    assert result.returncode == 2
    assert "No settings file was found (looked for kojimon.yaml," in told
    assert "kojimon setup" in told


@pytest.mark.parametrize(
    "words",
    [
        ("--config", "{}", "alarms", "ack"),
        ("alarms", "--config", "{}", "ack"),
        ("alarms", "ack", "--config", "{}"),
        ("probes", "--config", "{}"),
        ("--config", "{}", "status"),
    ],
    ids=" ".join,
)
def test_the_settings_file_may_be_named_anywhere(kitchen: Kitchen, words: tuple[str, ...]) -> None:
    other = kitchen.folder / "other.yaml"
    kitchen.config.rename(other)
    kitchen.run(*(word.format(other) for word in words))


def test_every_fault_of_the_settings_is_told_at_once(kitchen: Kitchen) -> None:
    kitchen.settings(**{"place: air": "place: attic", "rice: 4 lb": "rice: 4"})
    for words in (("check",), ("run",), ("status",)):
        result = kitchen.run(*words, code=2)
        lines = [line for line in result.stderr.splitlines() if line.startswith(str(kitchen.config))]
        assert f"{kitchen.config}:5: incubators.box.rice: found `4`" in lines[0]
        assert "probes.air.place: found `attic`" in lines[-1]
        assert result.stdout == ""


def test_check_says_what_good_settings_come_to(kitchen: Kitchen) -> None:
    text = kitchen.run("check").stdout
    assert f"{kitchen.config} is in order." in text.replace("\n", " ")
    assert "3 probes from 1 kernel source." in text
    assert json.loads(kitchen.run("check", "--json").stdout)["site"] == "home"


def test_check_and_run_say_what_may_not_be_meant(kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch) -> None:
    kitchen.settings(**{"file: air,": "file: air, calibration: {points: [{read: 1 C, true: 0 C}], date: 2199-01-01},"})
    assert "its calibration is dated 2199-01-01" in " ".join(kitchen.run("check").stdout.split())
    monkeypatch.setattr("kojimon.cli.commands.run.watch", lambda *_, **__: 0)
    assert "its calibration is dated 2199-01-01" in " ".join(kitchen.run("run").stderr.split())


WEB = "web: {port: 0}"


@pytest.mark.parametrize("token, code", [("x", 2), ("rice rice rice", 2), ("steamed rice at dawn", 0)])
def test_check_refuses_a_weak_token_where_the_network_can_guess(kitchen: Kitchen, token: str, code: int) -> None:
    file = kitchen.folder / "token"
    file.write_text(f"{token}\n")
    kitchen.settings(**{WEB: f"web: {{host: 0.0.0.0, token: {{file: {file}}}}}"})
    told = " ".join(kitchen.run("check", code=code).stderr.split())
    assert ("12 letters at least, 6 of them different" in told) == (code == 2)
    kitchen.settings(**{WEB: f"web: {{token: {{file: {file}}}}}"})
    kitchen.run("check")


def test_check_says_whether_a_broker_lets_strangers_in(kitchen: Kitchen, tmp_path: Path) -> None:
    file = kitchen.folder / "hush"
    file.write_text("hush\n")
    with Broker(tmp_path / "b", users={"koji": "hush"}, strangers=True) as broker:
        house = f"house: {{kind: mqtt, host: 127.0.0.1, port: {broker.port}, user: koji, password: {{file: {file}}}}}"
        acts = "publish: {to: house, accept_acts: true}"
        more = {"sources:\n": f"sources:\n  {house}\n", "{place": "{from: board, place", WEB: f"{WEB}\n{acts}"}
        kitchen.settings(**more)
        assert "lets in who has no password: acts over MQTT are off" in " ".join(kitchen.run("check").stdout.split())


def test_the_schema_is_printed_whole(kitchen: Kitchen) -> None:
    assert json.loads(kitchen.run("check", "--schema").stdout)["$schema"].endswith("2020-12/schema")


def test_an_export_writes_over_nothing_unless_told(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    (kitchen.folder / "mine.csv").write_text("mine")
    told = kitchen.run("export", "first", "-o", "mine.csv", code=2).stderr
    assert "mine.csv is there already. Another name, or --force" in told
    assert (kitchen.folder / "mine.csv").read_text() == "mine"


def test_json_lines_and_hours_do_not_go_together(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    assert "--hours goes with csv only" in kitchen.run("export", "--hours", "--format", "jsonl", code=2).stderr


@pytest.mark.slow
def test_a_fault_of_ours_is_one_paragraph_and_no_traceback(kitchen: Kitchen) -> None:
    (kitchen.folder / "kojimon.journal").write_text("this is no database at all, only a text that lies here")
    result = kitchen.child("batch", "list")
    assert result.returncode == 1
    assert "Traceback" not in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


@pytest.mark.slow
def test_a_closed_pipe_is_no_fault(kitchen: Kitchen) -> None:
    import subprocess
    import sys

    command = f"{sys.executable} -m kojimon check --schema | head -1"
    result = subprocess.run(["/bin/sh", "-c", command], capture_output=True, text=True, timeout=60, check=False)
    assert (result.stdout, result.stderr) == ("{\n", "")


@pytest.mark.slow
def test_colour_is_left_out_where_nobody_wants_it(kitchen: Kitchen) -> None:
    assert "\x1b[" not in kitchen.child("status").stdout
    assert "\x1b[" in kitchen.child("status", NO_COLOR="", FORCE_COLOR="1").stdout
    assert "\x1b[3" not in kitchen.child("status", NO_COLOR="1", FORCE_COLOR="1").stdout


@pytest.mark.slow
def test_a_terminal_without_umlauts_gets_question_marks_and_no_error(kitchen: Kitchen) -> None:
    result = kitchen.child("status", PYTHONIOENCODING="ascii")
    assert result.returncode == 0, result.stderr
    assert Path(kitchen.config).exists()
