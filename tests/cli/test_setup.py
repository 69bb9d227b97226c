"""Set-up: an interview that ends in settings which load, without anybody typing YAML."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon.cli.setup.answers import PURPOSES, Answers, Person, ProbeAnswer, SourceAnswer, plain, settings_text
from kojimon.cli.setup.drawings import COVERS, KINDS
from kojimon.cli.setup.interview import read_trays
from kojimon.settings.load import load_settings
from kojimon.settings.spec import MqttSource, SimulatedSource
from tests.cli.conftest import Kitchen
from tests.parts.broker import free_port
from tests.parts.inputs import says
from tests.parts.opened import outbox, reading

DEFAULTS = "\n" * 30


def fresh(kitchen: Kitchen, *words: str, typed: str | None = None, code: int = 0) -> str:
    """Set-up into new.yaml with its journal beside; everything it printed, blanks evened out."""
    result = kitchen.run(
        "setup", "-o", "new.yaml", "--journal", "new.journal", "--no-look", *words, typed=typed, code=code
    )
    return " ".join(result.output.split())


def test_pressing_enter_all_the_way_makes_a_box_read_by_hand(kitchen: Kitchen) -> None:
    told = fresh(kitchen, typed=DEFAULTS)
    made = load_settings(kitchen.folder / "new.yaml")
    assert (made.sources, made.probes) == ((), ())
    assert "No probe, then: you read a thermometer by hand" in told
    assert (made.incubators[0].box.kind, made.incubators[0].box.cover) == ("unknown", "unknown")
    assert made.incubators[0].schedule.name == "rice-koji-home-trays"
    assert "Written and checked" in told
    assert f"export KOJIMON_CONFIG={kitchen.folder}/new.yaml" in told
    assert "It is no safety cut-out" in told and "GFCI or RCD" in told and "licensed electricians" in told


def test_whoever_practises_is_the_cook(kitchen: Kitchen) -> None:
    told = fresh(kitchen, "--yes", "--source", "practice")
    asked = load_settings(kitchen.folder / "new.yaml").sources[0]
    assert isinstance(asked, SimulatedSource) and (asked.hands, asked.speed) == (False, 60.0)
    assert "test alarm" not in told
    fresh(kitchen, "--force", typed="\n" * 9 + "practice" + DEFAULTS)
    assert load_settings(kitchen.folder / "new.yaml").sources[0] == asked


def test_nothing_nags_whoever_practises(kitchen: Kitchen) -> None:
    fresh(kitchen, "--yes", "--source", "practice")
    said = kitchen.run("--config", "new.yaml", "batch", "start", "first").output
    said += kitchen.run("--config", "new.yaml", "status").output
    assert "batch first" in said.lower() and "ight check" not in said


def test_sloppy_and_wrong_answers_are_understood_or_explained(kitchen: Kitchen) -> None:
    answers = [
        "kelvin", "°f", "stone", "pounds", "0", "top tray; bottom tray", "a lot", "3,5 lbs", "beer", "sake",
        "dehydrator", "fan", "3", "my kitchen", "chicago", "at night", "10:30 pm - 6 am", "8", "1", "the broker",
        "localhost", "port", str(free_port()), "-", "2", "cellar/top", "", "cellar/air", "-", "", "perhaps", "no",
        "my phone", "-",
    ]  # fmt: skip
    told = fresh(kitchen, typed="\n".join(answers) + "\n")
    for explained in (
        "'kelvin' will not do: F or C is expected.",
        "'stone' will not do: kg or lb is expected.",
        "'0' will not do: from 1 to 12 trays can be told apart.",
        "'a lot' will not do: expected a mass with its unit, as in `2 kg` or `4 lb`.",
        "'beer' will not do: one of these is expected: 1 koji, 2 sake,",
        "'dehydrator' will not do: a number from 1 to 5, or one of still, fan, heat-mat, oven-light, unknown, is",
        "'my kitchen' will not do: a time zone by its IANA name is expected",
        "'at night' will not do: two times of day are expected, as in 22:30 to 06:30",
        "'8' will not do: a number from 1 to 7, or one of mqtt, serial, modbus, kernel, hand, practice,",
        "'the broker' will not do: one word without blanks is expected.",
        "'port' will not do: a number from 1 to 65535 is expected.",
        "nobody listens there",
        "'perhaps' will not do: yes or no is expected.",
        "'my phone' will not do: an address in the form of the library apprise is expected",
    ):
        assert explained in told
    made = load_settings(kitchen.folder / "new.yaml")
    assert (made.units.fahrenheit, made.units.pounds) == (True, True)
    assert made.incubators[0].trays == ("top-tray", "bottom-tray")
    assert made.incubators[0].rice_kg == pytest.approx(3.5 * 0.45359237, abs=0.03)
    assert made.incubators[0].schedule.name == "rice-koji-sake"
    assert (made.person.zone, made.person.sleep_from, made.person.sleep_to) == ("America/Chicago", "22:30", "06:00")
    source = made.sources[0]
    assert isinstance(source, MqttSource)
    assert (source.host, source.user) == ("localhost", "")
    assert (made.incubators[0].box.kind, made.incubators[0].box.cover) == ("fan", "cloth-and-plastic")
    assert [(probe.name, probe.tray, probe.topic) for probe in made.probes] == [
        ("koji-top-tray", "top-tray", "cellar/top"),
        ("koji-bottom-tray", "bottom-tray", "kojimon/koji-bottom-tray"),
        ("air", "", "cellar/air"),
    ]


def test_one_test_alarm_goes_through_journal_and_outbox(kitchen: Kitchen) -> None:
    told = fresh(kitchen, "--yes", "--source", "simulated")
    assert "A test alarm is saved, and sent once kojimon runs." in told
    reader = reading(kitchen.folder / "new.journal")
    alarms = [event for event in reader.events() if event.kind == "alarm"]
    assert [(event.key, says(event)["to"]) for event in alarms] == [("test", "UNACK")]
    assert [message.event for message in outbox(reader.path)] == [alarms[0].no]
    reader.close()


def test_a_script_gets_the_same_by_options(kitchen: Kitchen) -> None:
    fresh(
        kitchen, "--yes", "--temperature", "F", "--mass", "lb", "--trays", "top,bottom", "--rice", "4", "lb",
        "--purpose", "miso", "--zone", "Europe/Lisbon", "--sleep", "23-7", "--box", "heat-mat", "--cover", "open",
        "--source", "hand",
    )  # fmt: skip
    made = load_settings(kitchen.folder / "new.yaml")
    box = made.incubators[0]
    assert (box.trays, box.schedule.name, box.box.kind, box.box.cover) == (
        ("top", "bottom"), "rice-koji-miso", "heat-mat", "open",
    )  # fmt: skip
    assert (made.units.fahrenheit, made.units.pounds) == (True, True)
    assert (made.person.sleep_from, made.person.zone) == ("23:00", "Europe/Lisbon")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--temperature", "K"), "--temperature K: F or C is expected."),
        (
            ("--box", "sauna"),
            "--box sauna: a number from 1 to 5, or one of still, fan, heat-mat, oven-light,",
        ),
        (
            ("--cover", "lid"),
            "--cover lid: a number from 1 to 4, or one of open, cloth, cloth-and-plastic,",
        ),
        (("--rice", "much"), "--rice much: expected a mass with its unit"),
        (("--zone", "here"), "--zone here: a time zone by its IANA name is expected"),
        (("--source", "bluetooth"), "'bluetooth' is not one of 'hand', 'practice', 'simulated'"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_options_are_told_and_nothing_is_written(kitchen: Kitchen, words: tuple[str, ...], told: str) -> None:
    assert told in fresh(kitchen, "--yes", *words, code=2)
    assert not (kitchen.folder / "new.yaml").exists()
    assert [path.name for path in kitchen.folder.glob(".new*")] == []


def test_whoever_has_no_channel_and_no_loudspeaker_is_told_that_nothing_can_wake_them(kitchen: Kitchen) -> None:
    said = " ".join(fresh(kitchen, "--yes", "--force", "--no-test", "--no-speaker", "--source", "hand").split())
    assert "Nothing can wake you yet: no channel, no loudspeaker." in said
    assert "channels: {phone: {kind: service, url: {file:" in said


def test_a_file_that_is_there_is_never_lost(kitchen: Kitchen) -> None:
    mine = kitchen.folder / "new.yaml"
    mine.write_text("mine\n")
    assert "Another file: -o FILE; or --force" in fresh(kitchen, "--yes", code=2)
    assert "Nothing was written." in fresh(kitchen, typed="no\n", code=1)
    assert mine.read_text() == "mine\n"
    fresh(kitchen, typed=f"yes\n{DEFAULTS}")
    assert (kitchen.folder / "new.yaml.old-1").read_text() == "mine\n"
    fresh(kitchen, "--yes", "--force", "--no-test")
    assert (kitchen.folder / "new.yaml.old-1").read_text() == "mine\n"
    assert "site: home" in (kitchen.folder / "new.yaml.old-2").read_text()


def test_leaving_in_the_middle_writes_nothing_and_its_answers_are_offered(kitchen: Kitchen) -> None:
    told = fresh(kitchen, typed="F\nlb\n2\n", code=1)
    assert "Stopped by you." in told
    assert not (kitchen.folder / "new.yaml").exists()
    kept = kitchen.folder / ".new.yaml.answers"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    told = fresh(kitchen, typed=DEFAULTS)
    assert "An earlier run broke off." in told and told.count("Do you read") == 1, "shown, not asked again"
    made = load_settings(kitchen.folder / "new.yaml")
    assert (made.units.fahrenheit, made.units.pounds, made.incubators[0].trays) == (True, True, ("top", "bottom"))
    assert not kept.exists()
    fresh(kitchen, "--force", typed="C\n", code=1)
    fresh(kitchen, "--force", typed=f"no\n{DEFAULTS}")
    assert not load_settings(kitchen.folder / "new.yaml").units.fahrenheit, "what was refused is not used"


def test_it_goes_back_a_question(kitchen: Kitchen) -> None:
    told = fresh(kitchen, typed=f"F\nkg\n<\nlb\n5\n<\n<\nkg\n2{DEFAULTS}")
    made = load_settings(kitchen.folder / "new.yaml")
    assert (made.units.fahrenheit, made.units.pounds, made.incubators[0].trays) == (True, False, ("top", "bottom"))
    assert told.count("Do you read") == 1, "what stands before is not asked again"


def test_a_line_that_does_not_make_good_settings_loses_no_answers(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A journal that cannot be where it was said to be is mended, and set-up goes on where it broke off."""
    missing = kitchen.folder / "schedules"
    missing.mkdir()
    (missing / "rice-koji-home-trays.yaml").write_text("name: [broken\n")
    told = fresh(kitchen, typed="F\nlb\n" + "\n" * 8 + "no\n-\n", code=1)
    assert "these answers do not make good settings" in told and "The answers before that are kept." in told
    (missing / "rice-koji-home-trays.yaml").unlink()
    fresh(kitchen, typed=DEFAULTS)
    assert load_settings(kitchen.folder / "new.yaml").units.pounds


def test_each_kind_of_box_is_drawn_with_what_it_does(kitchen: Kitchen) -> None:
    told = kitchen.run("setup", "-o", "new.yaml", "--journal", "new.journal", "--no-look", typed=DEFAULTS).output
    drawn = [line for text in (*KINDS.values(), *COVERS.values()) for line in text.splitlines() if line.strip()]
    assert drawn and all(line in told for line in drawn)
    assert max(map(len, drawn)) <= 60 and "".join(drawn).isascii()
    words = " ".join(told.split())
    assert "One probe: half-way down in the middle of the warmest tray. Another one: at the bottom." in words
    assert "can overheat from about hour 20" in words


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    fahrenheit=st.booleans(),
    pounds=st.booleans(),
    trays=st.text("abcXYZ ,;-_0123456789äß", min_size=1, max_size=30),
    rice_kg=st.floats(0.1, 199.99),
    schedule=st.sampled_from([schedule for _, schedule, _ in PURPOSES]),
    topic=st.text("abc/{}[]:#&*!|>'\"%@`, -äß0", min_size=1, max_size=20).filter(lambda text: text.strip() == text),
)
def test_whatever_was_answered_the_file_loads_or_is_refused_in_words(
    tmp_path: Path, fahrenheit: bool, pounds: bool, trays: str, rice_kg: float, schedule: str, topic: str
) -> None:
    try:
        names = read_trays(trays)
    except ValueError:
        return
    answers = Answers(
        Person(fahrenheit, pounds, names, rice_kg, schedule, "UTC", "22:30 to 06:30"),
        (SourceAnswer("house", "mqtt", {"host": "x"}),),
        (ProbeAnswer("koji", "bed", "temperature", "house", names[0], {"topic": plain(topic)}),),
        str(tmp_path / "kojimon.journal"),
    )  # fmt: skip
    target = tmp_path / "made.yaml"
    target.write_text(settings_text(answers, "2026-01-31"), encoding="utf-8")
    try:
        made = load_settings(target)
    except Exception as error:
        assert "probes.koji.topic" in str(error)
        return
    assert made.probes[0].topic == topic
    assert made.incubators[0].trays == names
