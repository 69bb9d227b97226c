"""Quantities and timetables before the batch."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner
from icalendar import Calendar

from kojimon.cli.main import cli
from kojimon.planner import Sleep, calendar, hours_of, lay_out, plans, quantities
from kojimon.schedule.load import load_schedule
from kojimon.schedule.spec import After, FirstOf, Holds, LastOf

CONFIG = Path(__file__).resolve().parents[2] / "config"
HOME = load_schedule(CONFIG / "schedules/rice-koji-home-trays.yaml")
NIGHT = Sleep(22 * 60 + 30, 6 * 60 + 30)
MONDAY = datetime(2026, 3, 2, 18, 0)  # noqa: DTZ001 - local wall time


def test_masses_follow_the_published_chain() -> None:
    """100 white, 129.5 soaked, 141.5 steamed, 117 koji: a sake technologist's published note on box koji. Starter 15 g
    on 15 kg: Kanagawa Prefecture, rice koji, materials. 1.5 kg a tray: Nada sake research group glossary."""
    got = quantities(15.0)
    assert got.starter_kg == pytest.approx(0.015)
    hundred = quantities(100.0)
    assert (hundred.soaked_kg, hundred.steamed_kg, hundred.koji_kg) == pytest.approx((129.5, 141.5, 117.0))
    assert [quantities(kg).trays for kg in (0.5, 1.5, 1.6, 3.0)] == [1, 1, 2, 2]


@pytest.mark.parametrize("kg", [0.0, -1.0, float("nan"), 200.1])
def test_no_rice_and_too_much_are_refused(kg: float) -> None:
    with pytest.raises(ValueError, match=r"a mass over 0 is wanted, 200 kg \(441 lb\) at most"):
        quantities(kg)


@pytest.mark.parametrize("mass", ["0lb", "0 kg", "201 kg", "-1 kg"])
def test_the_command_plans_no_such_mass(mass: str) -> None:
    said = CliRunner().invoke(cli, ["plan", f"--rice={mass}", "--config", str(CONFIG / "minimal.yaml")])
    assert said.exit_code == 2 and "a mass" in said.output


def test_sleep_across_midnight() -> None:
    at = MONDAY.replace(hour=22)
    assert NIGHT.asleep_s(at, at + timedelta(hours=1)) == 1800
    assert Sleep(60, 120).asleep_s(MONDAY.replace(hour=0), MONDAY.replace(hour=3)) == 3600


def test_the_best_plan_leaves_every_fixed_step_to_the_day() -> None:
    best = plans(HOME, NIGHT, MONDAY)
    assert len(best) == 3
    assert [plan.cost for plan in best] == sorted(plan.cost for plan in best)
    for step in best[0].steps:
        assert not step.firm or step.asleep_s == 0, step
        assert step.begins >= MONDAY
    worst = lay_out(HOME, NIGHT, MONDAY.replace(hour=3) + timedelta(days=2))
    assert worst.cost > best[0].cost + 10


def test_no_mixing_at_three_in_the_morning_where_it_can_be_helped() -> None:
    """The hours at which the koji wants hands: institute trials (mori 20 h, naka 28-29 h, shimai 38 h after seeding;
    National Research Institute of Brewing) and one brewery's box koji."""
    best = plans(HOME, NIGHT, MONDAY)[0]
    slept_h = sum(step.asleep_s for step in best.steps if step.step == "work") / 3600
    by_hour = [lay_out(HOME, NIGHT, best.inoculate + timedelta(hours=h)) for h in range(24)]
    all_slept = [sum(s.asleep_s for s in p.steps if s.step == "work") / 3600 for p in by_hour]
    assert slept_h <= sorted(all_slept)[4], "among the best hours of the day"


def test_hours_that_the_clock_alone_decides() -> None:
    after = After("inoculate", 18 * 3600)
    assert hours_of(after) == 18
    assert hours_of(FirstOf((Holds("warm"), after))) == 18
    assert hours_of(LastOf((Holds("warm"), after))) is None
    assert hours_of(After("mix", 3600)) is None


def test_the_calendar_file_is_one_by_the_standard() -> None:
    """RFC 5545, read back by a library; a night on which the clock is put forward keeps wall times."""
    spring = lay_out(HOME, NIGHT, datetime(2026, 3, 28, 12, 0))  # noqa: DTZ001 - local wall time
    book = Calendar.from_ical(calendar(spring, "Europe/Lisbon", "cellar", datetime(2026, 3, 1, tzinfo=UTC)))
    entries = book.walk("VEVENT")
    assert len(entries) == len(spring.steps)
    assert len({str(entry["uid"]) for entry in entries}) == len(entries)
    spores = next(entry for entry in entries if "spores" in str(entry["summary"]))
    assert spores.decoded("dtstart").astimezone(UTC) == datetime(2026, 3, 28, 12, 0, tzinfo=UTC)
    harvest = next(entry for entry in entries if "Take the koji out" in str(entry["summary"]))
    assert harvest.decoded("dtstart").astimezone(UTC) == datetime(2026, 3, 30, 3, 0, tzinfo=UTC)


def lines_of(text: bytes) -> Iterator[tuple[str, dict[str, str], str]]:
    """(name, parameters, value) of each line of an iCalendar file, long ones put together (RFC 5545, 3.1): a reader
    that is not the one who wrote it."""
    assert text.endswith(b"\r\n") and all(len(line) <= 75 for line in text.split(b"\r\n"))
    for line in text.replace(b"\r\n ", b"").decode().splitlines():
        head, value = line.split(":", 1)
        name, *parameters = head.split(";")
        yield name, dict(parameter.split("=", 1) for parameter in parameters), value


def test_a_calendar_that_knows_no_zones_shows_each_step_at_its_moment() -> None:
    """RFC 5545: UTC as its form 2 (3.3.5), for a local time wants its zone's rules in the file (3.2.19); an end is
    after its beginning and of the same form (3.6.1); a reminder before the start has a negative trigger (3.8.6.3)."""
    plan = lay_out(HOME, NIGHT, datetime(2026, 10, 31, 12, 0))  # noqa: DTZ001 - local wall time
    lines = list(lines_of(calendar(plan, "America/New_York", "cellar", datetime(2026, 10, 1, tzinfo=UTC))))
    assert [parameters for _, parameters, _ in lines if "TZID" in parameters] == []
    found = {
        name: [datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC) for key, _, value in lines if key == name]
        for name in ("DTSTART", "DTEND")
    }
    home = ZoneInfo("America/New_York")
    assert found["DTSTART"] == [step.begins.replace(tzinfo=home) for step in plan.steps]
    assert found["DTEND"] == [step.ends.replace(tzinfo=home) for step in plan.steps]
    assert all(begin < end for begin, end in zip(found["DTSTART"], found["DTEND"], strict=True))
    assert [value for name, _, value in lines if name == "TRIGGER"] == ["-PT10M"] * sum(s.firm for s in plan.steps)


def test_the_command(tmp_path: Path) -> None:
    file = tmp_path / "koji.ics"
    words = ["plan", "--config", str(CONFIG / "simulated.yaml"), "--rice", "4 lb", "--calendar", str(file)]
    done = CliRunner().invoke(cli, words, catch_exceptions=False)
    assert done.exit_code == 0
    assert "1.8 g of starter" in done.output
    assert "Plan 1: spores on" in done.output
    assert file.read_bytes().startswith(b"BEGIN:VCALENDAR")
    again = CliRunner().invoke(cli, words, catch_exceptions=False)
    assert again.exit_code == 2


@pytest.mark.parametrize("words", [("--from", "25:00"), ("--schedule", "tea"), ("--rice", "4 stones")])
def test_wrong_use_is_told(words: tuple[str, str]) -> None:
    done = CliRunner().invoke(cli, ["plan", "--config", str(CONFIG / "simulated.yaml"), *words])
    assert done.exit_code == 2
    assert "Traceback" not in done.output
