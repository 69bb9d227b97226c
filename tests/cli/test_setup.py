"""Set-up: an interview that ends in settings which load, without anybody typing YAML."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon.cli.setup import command
from kojimon.cli.setup.answers import PURPOSES, Answers, ProbeAnswer, SourceAnswer, plain, settings_text
from kojimon.cli.setup.interview import read_trays
from kojimon.cli.setup.sources import Finding, Reading
from kojimon.settings.load import load_settings
from kojimon.settings.spec import KernelSource, MqttSource, SerialSource, SimulatedSource
from tests.cli.conftest import Kitchen
from tests.parts.inputs import says
from tests.parts.opened import reading

DEFAULTS = "\n" * 30


def fresh(kitchen: Kitchen, *words: str, typed: str | None = None, code: int = 0) -> str:
    """Set-up into new.yaml with its journal beside; everything it printed, blanks evened out."""
    result = kitchen.run(
        "setup", "-o", "new.yaml", "--journal", "new.journal", "--no-look", *words, typed=typed, code=code
    )
    return " ".join(result.output.split())


def test_pressing_enter_all_the_way_makes_a_simulated_box_that_loads(kitchen: Kitchen) -> None:
    told = fresh(kitchen, typed=DEFAULTS)
    made = load_settings(kitchen.folder / "new.yaml")
    assert isinstance(made.sources[0], SimulatedSource)
    assert [probe.place for probe in made.probes] == ["bed", "air", "air"]
    assert made.incubators[0].schedule.name == "rice-koji-home-trays"
    assert "Written and checked" in told
    assert f"export KOJIMON_CONFIG={kitchen.folder}/new.yaml" in told
    assert "It is no safety cut-out" in told and "GFCI or RCD" in told and "licensed electricians" in told


def test_whoever_practises_is_the_cook(kitchen: Kitchen) -> None:
    fresh(kitchen, "--yes", "--source", "practice")
    asked = load_settings(kitchen.folder / "new.yaml").sources[0]
    assert isinstance(asked, SimulatedSource) and (asked.hands, asked.speed) == (False, 60.0)
    fresh(kitchen, "--force", typed="\n" * 7 + "4" + DEFAULTS)
    assert load_settings(kitchen.folder / "new.yaml").sources[0] == asked


def test_sloppy_and_wrong_answers_are_understood_or_explained(kitchen: Kitchen) -> None:
    answers = [
        "kelvin", "°f", "stone", "pounds", "0", "top tray; bottom tray", "a lot", "3,5 lbs", "beer", "sake",
        "my kitchen", "chicago", "at night", "10:30 pm - 6 am", "7", "1", "the broker", "broker.home", "port", "1884",
        "-", "cellar/top", "", "cellar/air", "-", "perhaps", "no", "my phone", "-",
    ]  # fmt: skip
    told = fresh(kitchen, typed="\n".join(answers) + "\n")
    for explained in (
        "'kelvin' will not do: F or C is wanted.",
        "'stone' will not do: kg or lb is wanted.",
        "'0' will not do: from 1 to 12 trays can be told apart.",
        "'a lot' will not do: a mass with its unit is wanted, as in `2 kg` or `4 lb`.",
        "'beer' will not do: one of these is wanted: 1 koji, 2 sake,",
        "'my kitchen' will not do: a time zone by its IANA name is wanted",
        "'at night' will not do: two times of day are wanted, as in 22:30 to 06:30",
        "'7' will not do: a number from 1 to 5 is wanted.",
        "'the broker' will not do: one word without blanks is wanted.",
        "'port' will not do: a number from 1 to 65535 is wanted.",
        "'perhaps' will not do: yes or no is wanted.",
        "'my phone' will not do: an address in the form of the library apprise is wanted",
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
    assert (source.host, source.port, source.user) == ("broker.home", 1884, "")
    assert [(probe.name, probe.tray, probe.topic) for probe in made.probes] == [
        ("koji-top-tray", "top-tray", "cellar/top"),
        ("koji-bottom-tray", "bottom-tray", "kojimon/koji-bottom-tray"),
        ("air", "", "cellar/air"),
    ]


def test_a_password_goes_into_a_file_that_only_its_owner_reads(kitchen: Kitchen) -> None:
    answers = [*[""] * 7, "1", "", "", "kojimon", "se cret", *[""] * 5]
    fresh(kitchen, typed="\n".join(answers) + "\n")
    kept = kitchen.folder / "mqtt-password"
    assert kept.read_text() == "se cret\n"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert "se cret" not in (kitchen.folder / "new.yaml").read_text()
    source = load_settings(kitchen.folder / "new.yaml").sources[0]
    assert isinstance(source, MqttSource) and source.password is not None
    assert source.password.file == str(kept)


def test_one_test_alarm_goes_through_journal_and_outbox(kitchen: Kitchen) -> None:
    told = fresh(kitchen, "--yes", "--source", "simulated")
    assert "A test alarm stands in the journal" in told
    reader = reading(kitchen.folder / "new.journal")
    alarms = [event for event in reader.events() if event.kind == "alarm"]
    assert [(event.key, says(event)["to"]) for event in alarms] == [("test", "UNACK")]
    assert [message.event for message in reader.messages()] == [alarms[0].no]
    reader.close()


def test_a_script_gets_the_same_by_options(kitchen: Kitchen) -> None:
    (kitchen.folder / "pw").write_text("x")
    fresh(
        kitchen, "--yes", "--temperature", "F", "--mass", "lb", "--trays", "top,bottom", "--rice", "4", "lb",
        "--purpose", "miso", "--zone", "Europe/Lisbon", "--sleep", "23-7", "--source", "mqtt:kojimon@192.0.2.10:8883",
        "--password-file", "pw", "--probe", "koji-1 bed top topic=cellar/koji/1 unit=F", "--probe",
        "koji-2 bed bottom topic=cellar/koji/2 every=30 s".replace("30 s", "30s"), "--probe", "damp air humidity",
    )  # fmt: skip
    made = load_settings(kitchen.folder / "new.yaml")
    source = made.sources[0]
    assert isinstance(source, MqttSource)
    assert (source.host, source.port, source.user) == ("192.0.2.10", 8883, "kojimon")
    assert [(probe.name, probe.tray, probe.quantity, probe.topic, probe.unit) for probe in made.probes] == [
        ("koji-1", "top", "temperature", "cellar/koji/1", "F"),
        ("koji-2", "bottom", "temperature", "cellar/koji/2", "C"),
        ("damp", "", "humidity", "damp", "%"),
    ]
    assert made.probes[1].expect_every_s == 30.0
    assert (made.person.sleep_from, made.person.zone) == ("23:00", "Europe/Lisbon")


@pytest.mark.parametrize(
    ("source", "probe", "kind", "address"),
    [
        ("serial:/dev/serial/by-id/usb-x", "koji bed path=t1 unit=F", SerialSource, "t1"),
        ("kernel", "koji bed file=class/hwmon/name:ds18b20/temp1_input scale=0.001", KernelSource, "temp1_input"),
    ],
)
def test_serial_ports_and_sensor_files_by_options(
    kitchen: Kitchen, source: str, probe: str, kind: type, address: str
) -> None:
    fresh(kitchen, "--yes", "--source", source, "--probe", probe)
    made = load_settings(kitchen.folder / "new.yaml")
    assert isinstance(made.sources[0], kind)
    assert address in (made.probes[0].key or made.probes[0].topic)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--temperature", "K"), "--temperature K: F or C is wanted."),
        (("--rice", "much"), "--rice much: a mass with its unit is wanted"),
        (("--zone", "here"), "--zone here: a time zone by its IANA name is wanted"),
        (("--source", "bluetooth"), "--source bluetooth: serial:PORT, mqtt:HOST"),
        (("--source", "mqtt:a b"), "--source mqtt:a b: serial:PORT"),
        (("--source", "mqtt:x"), "say which probes it has: --probe"),
        (("--source", "mqtt:u@x", "--probe", "koji bed"), "The broker's user needs a password: --password-file FILE."),
        (
            ("--source", "kernel", "--probe", "koji attic"),
            "--probe 'koji attic': a name, a place (bed, air, room, wet-bulb)",
        ),
        (("--source", "kernel", "--probe", "k bed a b"), "'b' is too much"),
        (("--source", "kernel", "--probe", "k bed colour=red"), "there is no setting 'colour'; there are topic,"),
        (("--source", "kernel", "--source", "simulated"), "One --source is taken here"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_options_are_told_and_nothing_is_written(kitchen: Kitchen, words: tuple[str, ...], told: str) -> None:
    assert told in fresh(kitchen, "--yes", *words, code=2)
    assert not (kitchen.folder / "new.yaml").exists()
    assert [path.name for path in kitchen.folder.glob(".new*")] == []


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


def test_leaving_in_the_middle_writes_nothing(kitchen: Kitchen) -> None:
    told = fresh(kitchen, typed="C\nkg\n2\n", code=1)
    assert "Stopped by you." in told
    assert not (kitchen.folder / "new.yaml").exists()


def test_what_was_found_is_offered_and_put_in_its_place(kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = (
        Reading("air_t", {"path": "air_t"}, "temperature", "30.1 °C"),
        Reading("koji_1", {"path": "koji_1"}, "temperature", "31.2 °C"),
        Reading("koji_2", {"path": "koji_2"}, "temperature", "31.0 °C"),
        Reading("air_h", {"path": "air_h"}, "humidity", "86 %"),
    )
    board = SourceAnswer("board", "serial", {"port": "/dev/ttyUSB0", "format": "json"})
    monkeypatch.setattr(command, "look", lambda: [Finding(board, "a serial port, four readings a line", seen)])
    result = kitchen.run(
        "setup", "-o", "new.yaml", "--journal", "new.journal", "--trays", "2", typed="\n" * 6 + "\n1\n2\n" + "\n" * 9
    )
    assert "a serial port, four readings a line" in result.output
    made = load_settings(kitchen.folder / "new.yaml")
    assert {probe.name: (probe.place, probe.tray, probe.key) for probe in made.probes} == {
        "koji-top": ("bed", "top", "air_t"),
        "koji-bottom": ("bed", "bottom", "koji_2"),
        "air": ("air", "", "koji_1"),
        "air-humidity": ("air", "", "air_h"),
    }


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
        fahrenheit, pounds, "UTC", "22:30 to 06:30", names, rice_kg, schedule,
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
