"""Timetables before the batch: by the schedule itself, out of the night where that can be; and the files made of
them."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result
from dateutil import tz
from icalendar import Calendar

from kojimon.cli.main import cli
from kojimon.cli.shared.moments import time_to_come
from kojimon.errors import UsageError
from kojimon.journal.records import BatchRow
from kojimon.mash.facts import PURPOSES, Fact
from kojimon.planner.calendar import calendar
from kojimon.planner.kept_plan import read_plan
from kojimon.planner.likely import likely, soak_min
from kojimon.planner.nights import Nights, Sleep, zoned
from kojimon.planner.own import own_yield
from kojimon.planner.timetable import Plan, PlannedStep, plans
from kojimon.schedule.load import SHIPPED, load_schedule
from kojimon.schedule.spec import After, Condition, FirstOf, Holds, LastOf, Moment, Schedule

CONFIG = Path(__file__).resolve().parents[2] / "config"
SHOWN = {path.stem: load_schedule(path) for path in sorted(SHIPPED.glob("*.yaml"))}
HOME, SAKE = SHOWN["rice-koji-home-trays"], SHOWN["rice-koji-sake"]
NIGHT = Sleep(22 * 60 + 30, 6 * 60 + 30)
CHICAGO, LISBON = "America/Chicago", "Europe/Lisbon"


def local(text: str, zone: str = CHICAGO) -> datetime:
    return zoned(datetime.fromisoformat(text), zone)


MONDAY = local("2026-03-02 18:00")


@cache
def planned(name: str, text: str = "2026-03-02 18:00", zone: str = CHICAGO) -> list[Plan]:
    return plans(SHOWN[name], NIGHT, local(text, zone))


def named(plan: Plan, name: str) -> PlannedStep:
    return next(step for step in plan.steps if step.step == name)


class TestBySchedule:
    @pytest.mark.parametrize(("name", "least_h", "usual_h", "most_h"), [
        ("barley-koji", 1, 2, 3), ("rice-koji-sake", 1, 2, 3), ("rice-koji-home-trays", 8, 12, 16),
        ("rice-koji-miso", 8, 12, 16), ("soy-sauce-koji", 8, 12, 16),
    ])  # fmt: skip
    def test_soaking_is_the_schedule_s_own(self, name: str, least_h: int, usual_h: int, most_h: int) -> None:
        """A rice maker's page (kigawaya.com): polished rice soaks 1-3 h. The others: their schedules' own lines."""
        assert soak_min(SHOWN[name]) == (least_h * 60, usual_h * 60, most_h * 60)
        best = planned(name)[0]
        soaked = named(best, "drain").at - named(best, "soak").at
        assert timedelta(hours=least_h) <= soaked <= timedelta(hours=most_h)

    @pytest.mark.parametrize("schedule", SHOWN.values(), ids=SHOWN)
    def test_no_step_is_left_out(self, schedule: Schedule) -> None:
        """All but those that only the koji can open, with nothing known of when: sake koji's stirring at its
        ceiling."""
        for plan in planned(schedule.name):
            wanted = {step.name for step in schedule.steps if step.work != "look"}
            missing = wanted - {step.step for step in plan.steps}
            assert missing <= {"mix"}, plan
            assert all(plan.steps[0].at <= step.at for step in plan.steps)

    def test_the_break_up_of_sake_koji_is_kept_out_of_the_night(self) -> None:
        for plan in planned(SAKE.name):
            assert not named(plan, "break-up").asleep
            first = named(plan, "break-up").at - plan.inoculate
            assert timedelta(hours=12) <= first < timedelta(hours=16)

    def test_steps_follow_the_ones_they_count_from(self) -> None:
        for plan in planned(SAKE.name):
            for name, after, least_h, most_h in (("naka", "mori", 6, 9), ("shimai", "naka", 5, 10)):
                waited = named(plan, name).at - named(plan, after).at
                assert timedelta(hours=least_h) <= waited <= timedelta(hours=most_h)

    def test_a_step_begins_with_time_to_end_before_its_window_does(self) -> None:
        for schedule in SHOWN.values():
            for plan in planned(schedule.name):
                for step in plan.steps:
                    assert step.opens <= step.at
                    assert step.opens == step.closes or step.until <= step.closes

    def test_chances_are_of_the_likely_hours(self) -> None:
        """Home trays look first when warm, 18-24 h by the schedule. Spores at 10:00: 04:00 to 10:00, of which 04:00 to
        06:30 is slept through, whoever gets up for it at 07:00: 2.5 h of 6."""
        found = [plan for plan in plans(HOME, NIGHT, MONDAY, most=12) if f"{plan.inoculate:%H:%M}" == "10:00"]
        look = named(found[0], "first-check")
        assert look.koji_decides
        assert look.chance == pytest.approx(2.5 / 6)

    def test_a_likely_window_that_reaches_into_the_night_is_never_called_free_of_it(self) -> None:
        """Every step that the koji decides, in many plans: its likely hours, and sleep from 22:30 to 06:30."""
        seen = 0
        for schedule in (HOME, SAKE):
            for plan in plans(schedule, NIGHT, MONDAY, most=12):
                for step in (step for step in plan.steps if step.koji_decides and step.step != "first-check"):
                    late = step.opens.hour >= 19 and step.closes.date() > step.opens.date()
                    if late and step.closes.hour < 4:
                        seen += 1
                        assert 0 < step.chance < 1, step
        assert seen

    def test_a_first_step_that_may_come_late_moves_the_ones_that_count_from_it(self) -> None:
        """Spores at noon: the first look at 06:00 to 12:00, the mixing after it no sooner than six hours later, so that
        the second mixing may come at any hour of the evening, and late in the night."""
        found = next(plan for plan in plans(HOME, NIGHT, MONDAY, most=12) if f"{plan.inoculate:%H:%M}" == "12:00")
        assert named(found, "first-check").chance == pytest.approx(0.5 / 6)
        last = [step for step in found.steps if step.step == named(found, "mix").step][-1]
        assert not last.asleep and 0.3 < last.chance < 0.9

    def test_moments(self) -> None:
        warm = {"warm": Condition("bed", at_least=34.0, usual_from_s=18 * 3600.0, usual_to_s=29 * 3600.0),
                "hot": Condition("bed", at_least=38.0, unseen_s=6 * 3600.0),
                "dark": Condition("bed", at_least=1.0)}  # fmt: skip
        times = {"inoculate": 0.0, "look": 1200.0}
        after = After("inoculate", 24 * 3600)
        assert likely(after, times, warm) == (1440, 1440)
        assert likely(Holds("warm"), times, warm) == (1080, 1740)
        assert likely(Holds("warm", "look"), times, warm) == (1200, 1740)
        assert likely(Holds("hot", "look"), times, warm) == (1560, 1560)
        assert likely(Holds("dark"), times, warm) is None
        assert likely(After("mix", 60), times, warm) is None
        assert likely(FirstOf((Holds("warm"), after, Holds("dark"))), times, warm) == (1080, 1440)
        assert likely(LastOf((Holds("warm"), after)), times, warm) == (1440, 1740)


def by_force(schedule: Schedule, nights: Nights, zero: float) -> bool:
    """Whether all that must be done after hour 0 can be done awake: every quarter of an hour tried."""
    steps = list(schedule.steps[[s.name for s in schedule.steps].index("inoculate") + 1 :])
    must: list[str] = []
    for step in steps:
        if not step.optional:
            must += [step.name] * (4 if step.repeats else 1)
    must.sort(key=lambda name: name == "harvest")
    harvest_h = min(hours(schedule, schedule.step("harvest").window.opens, {"inoculate": 0.0}))  # type: ignore[union-attr]
    seen: set[tuple[int, tuple[tuple[str, float], ...]]] = set()

    def rest(number: int, times: dict[str, float]) -> bool:
        key = number, tuple(sorted(times.items()))
        if number == len(must):
            return True
        if key in seen:
            return False
        seen.add(key)
        step = schedule.step(must[number])
        assert step is not None
        opens = max(hours(schedule, step.window.opens, times), default=None)
        if opens is None or (step.repeats and opens >= harvest_h):
            return rest(number + 1, times)
        due = max(hours(schedule, step.window.due, times), default=opens)
        closes = min(hours(schedule, step.window.closes, times), default=due + due - opens)
        at, last = opens, max(opens, closes - step.lasts_s / 3600)
        while at <= last:
            begins = zero + at * 60
            if nights.asleep_min(begins, begins + step.lasts_s / 60) == 0 and rest(
                number + 1, {**times, step.name: at}
            ):
                return True
            at += 0.25
        return False

    return rest(0, {"inoculate": 0.0})


def hours(schedule: Schedule, moment: Moment | None, times: Mapping[str, float]) -> list[float]:
    """[latest] hour of a moment that is known, else []: written once more, from the schedule's own definition."""
    if isinstance(moment, After):
        return [times[moment.step] + moment.wait_s / 3600] if moment.step in times else []
    if isinstance(moment, Holds):
        condition = schedule.conditions[moment.condition]
        since = times.get(moment.since or "inoculate")
        if since is None:
            return []
        if condition.usual_to_s:
            return [max(since, condition.usual_to_s / 3600)]
        return [] if condition.unseen_s is None else [max(since, condition.from_s / 3600) + condition.unseen_s / 3600]
    if moment is None:
        return []
    known = [hour for part in moment.moments for hour in hours(schedule, part, times)]
    return [] if not known else [min(known) if isinstance(moment, FirstOf) else max(known)]


def starts(schedule: Schedule, nights: Nights) -> Iterator[float]:
    """Every hour 0 of the day ahead whose work before it can be done awake."""
    before = list(schedule.steps[: [s.name for s in schedule.steps].index("inoculate")])
    least, usual, most = soak_min(schedule)
    for begin in range(0, 1440, 30):
        for soak in sorted({*range(least, most + 1, 30), usual}):
            at, good = float(begin), True
            for step in before:
                good = good and nights.asleep_min(at, at + min(step.lasts_s, 1800) / 60) == 0
                at += soak if step.name == "soak" else step.lasts_s / 60
            if good and nights.asleep_min(at, at + 20) == 0:
                yield at


@pytest.mark.parametrize("schedule", SHOWN.values(), ids=SHOWN)
@pytest.mark.parametrize(("text", "zone", "sleep"), [
    ("2026-03-06 07:10", CHICAGO, NIGHT), ("2026-10-30 20:00", CHICAGO, NIGHT), ("2026-03-27 18:00", LISBON, NIGHT),
    ("2026-12-30 22:50", LISBON, NIGHT), ("2028-02-28 12:00", "Australia/Lord_Howe", NIGHT),
    ("2026-03-02 18:00", CHICAGO, Sleep(60, 9 * 60)), ("2026-03-02 18:00", CHICAGO, Sleep(20 * 60, 5 * 60 + 15)),
    ("2026-10-30 20:00", CHICAGO, Sleep(20 * 60, 9 * 60)),
])  # fmt: skip
def test_nothing_falls_into_the_night_where_that_can_be(schedule: Schedule, text: str, zone: str, sleep: Sleep) -> None:
    """By force: nights on which the clock is put on or back, month ends, a leap day, four kinds of sleeper, of whom the
    one of thirteen hours cannot be spared with rice or barley."""
    best = plans(schedule, sleep, local(text, zone))[0]
    slept = [step for step in best.steps if step.asleep and not step.optional]
    first = local(text, zone)
    nights = Nights(sleep, first + timedelta(minutes=-first.minute % 30))
    if slept:
        assert not any(by_force(schedule, nights, zero) for zero in set(starts(schedule, nights))), slept
    else:
        assert by_force(schedule, nights, (best.inoculate - nights.start) / timedelta(minutes=1)), "force finds it too"
    for step in best.steps:
        last = max(step.at, step.until - timedelta(minutes=1))
        awake = not any(sleep.holds(at.hour * 60 + at.minute) for at in (step.at, last))
        assert awake or step.asleep, step


def test_hours_of_sleep_follow_the_wall_clock() -> None:
    """Lisbon, 29 March 2026: 01:00 is 02:00. Eight hours of the night are seven."""
    nights = Nights(NIGHT, local("2026-03-28 12:00", LISBON))
    assert nights.asleep_min(0, 24 * 60) == 7 * 60
    assert nights.local(24 * 60) == local("2026-03-29 13:00", LISBON)
    assert Nights(NIGHT, local("2026-10-24 12:00", LISBON)).asleep_min(0, 24 * 60) == 9 * 60
    assert [Sleep(60, 120).holds(minute) for minute in (59, 60, 119, 120)] == [False, True, True, False]


def lines_of(text: bytes) -> Iterator[tuple[str, dict[str, str], str]]:
    """(name, parameters, value) of each line of an iCalendar file, long ones put together (RFC 5545, 3.1): a reader
    that is not the one who wrote it."""
    assert text.endswith(b"\r\n") and all(len(line) <= 75 for line in text.split(b"\r\n"))
    for line in text.replace(b"\r\n ", b"").decode().splitlines():
        head, value = line.split(":", 1)
        name, *parameters = head.split(";")
        yield name, dict(parameter.split("=", 1) for parameter in parameters), value


class TestCalendar:
    def written(self, text: str, zone: str, schedule: Schedule = SAKE) -> tuple[Plan, bytes]:
        best = planned(schedule.name, text, zone)[0]
        return best, calendar(
            best, "cellar", datetime(2026, 3, 1, tzinfo=UTC), NIGHT, {"mori": "Heap it, gently; warm."}, "first"
        )

    @pytest.mark.parametrize(("text", "zone"), [("2026-03-27 18:00", LISBON), ("2026-10-30 18:00", CHICAGO)])
    def test_each_zone_is_described(self, text: str, zone: str) -> None:
        """RFC 5545, 3.2.19: a TZID wants its VTIMEZONE. Read by dateutil, which knows only what stands in the file."""
        best, ics = self.written(text, zone)
        book = Calendar.from_ical(ics)
        zones = tz.tzical(io.StringIO(ics.decode()))
        for entry, step in zip(book.walk("VEVENT"), best.steps, strict=True):
            for key, wanted in (("DTSTART", step.at), ("DTEND", step.until)):
                described = zones.get(entry[key].params["TZID"])
                assert described is not None
                wall = entry[key].dt.replace(tzinfo=described)
                assert wall.timestamp() == wanted.timestamp(), "the clock changes within the batch"
        assert len({best.steps[0].at.utcoffset(), best.steps[-1].at.utcoffset()}) == 2

    def test_a_file_is_whole_by_itself(self) -> None:
        """RFC 5545: a zone that is named is described (3.2.19); an end is after its beginning and of the same form
        (3.6.1); a reminder rings at the start or before (3.8.6.3)."""
        best, ics = self.written("2026-10-30 18:00", CHICAGO)
        lines = list(lines_of(ics))
        named_zones = {parameters["TZID"] for _, parameters, _ in lines if "TZID" in parameters}
        assert named_zones == {value for name, _, value in lines if name == "TZID"} == {CHICAGO}
        zoned_lines = [(name, value) for name, how, value in lines if "TZID" in how]
        begins, ends = ([value for name, value in zoned_lines if name == key] for key in ("DTSTART", "DTEND"))
        assert begins == [f"{step.at:%Y%m%dT%H%M%S}" for step in best.steps]
        assert ends == [f"{step.until:%Y%m%dT%H%M%S}" for step in best.steps]
        assert {value for name, _, value in lines if name == "TRIGGER"} <= {"-PT10M", "P0D"}

    def test_entries_say_what_and_until_when(self) -> None:
        _, ics = self.written("2026-03-02 18:00", CHICAGO)
        entries = {str(entry["summary"]): entry for entry in Calendar.from_ical(ics).walk("VEVENT")}
        assert len({str(entry["uid"]) for entry in entries.values()}) == len(entries) == len(SAKE.steps) - 2
        mori = entries["Share out into trays (cellar)"]
        assert str(mori["description"]).startswith("Can be done ")
        assert str(mori["description"]).endswith("Heap it, gently; warm.")
        assert all(entry.decoded("dtend") > entry.decoded("dtstart") for name, entry in entries.items()
                   if "Heap and cover" not in name)  # fmt: skip

    def test_reminders_do_not_wake(self) -> None:
        for schedule in SHOWN.values():
            for text in ("2026-03-02 18:00", "2026-03-06 07:10"):
                _, ics = self.written(text, CHICAGO, schedule)
                for entry in Calendar.from_ical(ics).walk("VEVENT"):
                    for alarm in entry.walk("VALARM"):
                        rings = (entry["DTSTART"].dt + alarm["TRIGGER"].dt).astimezone(ZoneInfo(CHICAGO))
                        assert not NIGHT.holds(rings.hour * 60 + rings.minute), entry["summary"]


class Cells(HTMLParser):
    """The text of each cell of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


class TestCommand:
    def run(self, *words: str) -> Result:
        return CliRunner().invoke(
            cli, ["plan", "--config", str(CONFIG / "simulated.yaml"), *words], catch_exceptions=False
        )

    def test_it_writes_its_files_once(self, tmp_path: Path) -> None:
        ics, page, kept = tmp_path / "koji.ics", tmp_path / "wall.html", tmp_path / "plan.json"
        words = ("--rice", "4", "lb", "--calendar", str(ics), "--page", str(page), "--save", str(kept))
        done = self.run(*words)
        assert done.exit_code == 0, done.output
        assert ics.read_bytes().startswith(b"BEGIN:VCALENDAR")
        cells = Cells()
        cells.feed(page.read_text(encoding="utf-8"))
        assert {"Dry grain", "4 lb", "Sprinkle the spores", "☐"} <= set(cells.texts)
        assert read_plan(kept).rice_kg == pytest.approx(4 * 0.45359237)
        assert read_plan(kept).schedule == "rice-koji-home-trays"
        again = self.run(*words)
        assert again.exit_code == 2 and "there already" in again.output
        assert self.run(*words, "--force").exit_code == 0

    def test_it_fits_a_terminal(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", "80")
        for words in (
            ("--for", "sake-three", "--want", "2.5 gal"),
            ("--for", "miso", "--beans", "2 lb"),
            ("--rice", "8 lb"),
        ):
            said = self.run(*words).output
            assert max(len(line.rstrip()) for line in said.splitlines()) <= 80, said

    def test_trays_are_those_of_the_settings(self) -> None:
        """The sample has three. 8 lb on three trays of 12 x 16 in: 11.2 lb steamed at 0.6 kg a litre lie 2.3 cm
        deep."""
        said = self.run("--rice", "8 lb", "--tray", "12 x 16 in").output
        assert "2 lb 11 oz of dry grain in each of 3 trays" in said
        assert "In 3 trays it lies 0.9 in deep" in said
        assert "take 6 trays" in self.run("--rice", "32 lb", "--tray", "12 by 16 in").output.replace("\n", " ")

    @pytest.mark.parametrize(("words", "told"), [
        (("--for", "miso", "--beans", "1kg", "--koji", "1kg", "--salt", "70g"), "Under 10 % it spoils"),
        (("--for", "miso", "--beans", "1kg", "--koji", "1kg", "--salt", "180g"), "Under 10 % it spoils"),
        (("--for", "sweet-miso", "--beans", "1kg", "--koji", "2kg", "--salt", "100g"), "Under 5 % it spoils"),
        (("--for", "miso", "--beans", "1kg", "--koji", "1kg", "--salt", "180g"), "less than 10-13 %"),
        (("--rice", "1500g", "--koji", "3000g"), "Beyond what is published: the koji is 200 % of its dry rice"),
        (("--for", "shio-koji", "--koji", "1kg", "--water", "20 L"), "water is 2000 % of the koji"),
        (("--for", "amazake", "--rice", "1kg", "--koji", "100g"), "the koji is 11 % of the rice to cook"),
    ])  # fmt: skip
    def test_what_spoils_or_goes_beyond_is_said_on_the_wall_too(
        self, words: tuple[str, ...], told: str, tmp_path: Path
    ) -> None:
        page = tmp_path / "wall.html"
        assert told in " ".join(self.run(*words, "--page", str(page)).output.split())
        cells = Cells()
        cells.feed(page.read_text(encoding="utf-8"))
        assert told in " ".join(cells.texts)

    def test_published_salt_is_told_without_alarm(self) -> None:
        for words in (("miso", "--beans", "1kg", "--koji", "1kg", "--salt", "420g"), ("sweet-miso", "--beans", "1kg")):
            told = self.run("--for", *words).output
            assert "Salt is " in told and "spoils" not in told and "Beyond" not in told

    def test_amounts_are_typed_as_they_are_shown(self) -> None:
        assert "2 lb 6 oz" in self.run("--rice", "2", "lb", "6", "oz").output
        assert "1 lb 8 oz" in self.run("--rice", "1", "1/2", "lb", "--from", "18:00").output
        assert "14 fl oz" in self.run("--for", "sake", "--want", "14", "fl", "oz").output

    def test_days_have_dates(self, tmp_path: Path) -> None:
        page, begin = tmp_path / "wall.html", datetime.now(ZoneInfo(CHICAGO)) + timedelta(days=40)
        first = f"{begin:%a} {begin.day} {begin:%b}"
        told = self.run("--rice", "2 kg", "--from", f"{begin:%Y-%m-%d} 09:00", "--page", str(page)).output
        wanted = [f"from {day:%a} {day.day} {day:%b}" for day in (begin, begin + timedelta(days=1))]
        assert any(one in told and one in page.read_text(encoding="utf-8") for one in wanted), first
        assert re.search(r"spores on [A-Z][a-z]{2} \d+ [A-Z][a-z]{2} \d\d:\d\d", " ".join(told.split()))

    def test_a_time_that_has_just_passed_is_now(self) -> None:
        now = datetime(2026, 11, 27, 18, 5)  # noqa: DTZ001 - a wall clock, a Friday
        for typed in ("18:00", "Fri 18:00", "fri 15:30", "2026-11-27 18:00"):
            assert time_to_come(typed, now) == now, typed
        assert time_to_come("Thu 18:00", now) == datetime(2026, 12, 3, 18)  # noqa: DTZ001
        assert time_to_come("12:00", now) == datetime(2026, 11, 28, 12)  # noqa: DTZ001
        assert time_to_come("2027-11-20 18:00", now) == datetime(2027, 11, 20, 18)  # noqa: DTZ001
        for typed in ("2026-11-20 18:00", "2028-01-01 09:00"):
            with pytest.raises(UsageError, match="a date to come, within a year"):
                time_to_come(typed, now)

    def test_three_additions_are_on_the_wall(self, tmp_path: Path) -> None:
        page = tmp_path / "wall.html"
        told = self.run("--for", "sake-three", "--want", "2.5 gal", "--page", str(page)).output
        cells = Cells()
        cells.feed(page.read_text(encoding="utf-8"))
        assert {"starter mash", "day 1, at 54 °F", "day 3, at 50 °F", "day 4, at 46 °F"} <= set(cells.texts)
        for text in (" ".join(told.split()), " ".join(cells.texts)):
            assert "about two weeks after that for the starter mash: keep it cold or frozen" in text
        assert "schedule rice-koji-home-trays. For sake there is one of its own: --schedule rice-koji-sake" in " ".join(
            told.split()
        )
        assert "For miso there is one of its own: --schedule rice-koji-miso" in " ".join(
            self.run("--for", "miso", "--koji", "1 kg").output.split()
        )

    def test_what_is_taken_for_granted_is_said(self) -> None:
        for purpose in ("amazake", "miso", "shio-koji"):
            told = " ".join(self.run("--for", purpose, "--koji", "1 kg").output.split())
            assert "A litre of it is taken to weigh a kilogram." in told
            assert ("that of cooking the rice too" in told) == (purpose == "amazake")

    def test_without_settings_it_says_what_it_assumes(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("kojimon.cli.shared.opening.usual_files", lambda: iter([tmp_path / "none.yaml"]))
        monkeypatch.chdir(tmp_path)
        monkeypatch.delenv("KOJIMON_CONFIG", raising=False)
        monkeypatch.setenv("TZ", LISBON)
        kinds = (("de_DE.UTF-8", "°C and kg", "2.00 kg"), ("en_US.UTF-8", "°F and lb", "4 lb 7 oz"))
        for language, units, amount in kinds:
            monkeypatch.setenv("LC_ALL", language)
            done = CliRunner().invoke(cli, ["plan"], catch_exceptions=False)
            told = " ".join(done.output.split())
            assert done.exit_code == 0 and "Take the koji out" in told and amount in told
            assert f"Assumed: one tray, sleep 22:30 to 06:30, zone {LISBON}, {units}." in told
            assert CliRunner().invoke(cli, ["plan", "--config", "none.yaml"]).exit_code == 2

    def test_what_sake_wants_said(self) -> None:
        said = self.run("--for", "sake", "--want", "1 gal", "--packet", "20 g for 15 kg").output.replace("\n", " ")
        assert "your local law decides" in said
        assert "Not published: lactic acid for one addition" in said
        assert "16-20 % at most" in said
        assert "Starter: as its packet says" in said
        assert "would leave" in said and "of koji over" in said

    def test_sources_stand_behind_every_range(self) -> None:
        said = self.run("--for", "miso", "--beans", "2 lb", "--sources").output.replace("\n", " ")
        assert "Salt: of the finished miso, Kagawa Prefecture: 10-13 %." in said

    def test_no_name_of_the_program_s_own_is_shown(self) -> None:
        for purpose in PURPOSES:
            told = self.run("--for", purpose.upper(), "--koji", "1 kg", "--sources").output
            assert not re.search(r"[a-z]_(kg|l|ml)\b", told), purpose
            assert not re.search(r"\s-0", told), purpose

    def test_grain_decides_what_is_promised(self) -> None:
        said = self.run("--schedule", "barley-koji", "--rice", "2 kg").output.replace("\n", " ")
        assert "not published" in said and "pearled barley" in said and "117" not in said

    @pytest.mark.parametrize(("words", "code", "said"), [
        (("--from", "25:00"), 2, "--from '25:00'"), (("--from", ""), 2, "--from ''"),
        (("--schedule", "tea"), 2, "'tea'"),
        (("--rice", "4 stones"), 2, "a mass with its unit"), (("--rice=0lb",), 2, "a mass over 0"),
        (("--rice", "1,500", "g"), 2, "write 1500 or 1.5"), (("--for", "sake", "--want", "1,500 ml"), 2, "1500 or 1.5"),
        (("--for", "sake", "--water", "1,500 ml"), 2, "write 1500 or 1.5"),
        (("--rice=201 kg",), 2, "441 lb"), (("--for", "sake", "--want", "2 kg"), 2, "sake goes by volume"),
        (("--want", "2 L"), 2, "koji goes by weight"), (("--for", "sake", "--want", "1.000 L"), 2, "write 1000 or 1"),
        (("--for", "miso", "--want", "much"), 2, "an amount with its unit"),
        (("--for", "sake", "--water", "wet"), 2, "an amount with its unit"),
        (("--packet", "lots"), 2, "expected what it says"),
        (("--packet", "20 g for 0 kg"), 2, "expected a weight of grain over 0"),
        (("--for", "sake", "--vessel", "1 gal", "--rice", "5 lb"), 1, "--for sake --vessel '1 gal'"),
        (("--packet", "1 kg for 1 kg"), 2, "50 g on a kilogram"), (("--tray", "big"), 2, "length and width"),
        (("--tray", "1 x 1 cm"), 2, "5 cm to 3 m"), (("--for", "sake", "--beans", "1 kg"), 2, "has no beans"),
        (("--for", "sake", "--vessel", "1 gal", "--rice", "5 lb"), 1, "It does not fit: 1.4 gal in a vessel of 1.0 "
                                                                      "gal"),
        (("--for", "miso", "--schedule", "barley-koji"), 2, "--koji 2 kg"),
        (("--for", "sake", "--rice", "1 kg", "--koji-rice", "2 kg"), 2, "less than nothing"),
    ])  # fmt: skip
    def test_wrong_use_is_told(self, words: tuple[str, ...], code: int, said: str) -> None:
        done = CliRunner().invoke(cli, ["plan", "--config", str(CONFIG / "simulated.yaml"), *words])
        told = f"{done.output}{done.exception or ''}".replace("\n", " ")
        assert said in told
        assert "Traceback" not in done.output
        assert done.exit_code == code or getattr(done.exception, "exit_code", None) == code


def test_a_plan_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="Make one: kojimon plan --save"):
        read_plan(tmp_path / "nothing.json")
    (tmp_path / "other.json").write_text("[]")
    with pytest.raises(UsageError, match="no plan stands there"):
        read_plan(tmp_path / "other.json")


def test_three_weighed_batches_make_a_yield_of_one_s_own() -> None:
    def row(
        number: int, rice_kg: float | None, yield_kg: float | None, schedule: str = "a", outcome: str = "harvest"
    ) -> BatchRow:
        return BatchRow(str(number), "box", "", schedule, rice_kg, 0, 0, 1, outcome, yield_kg, "")

    weighed = [row(1, 2.0, 2.2), row(2, 2.0, 2.6)]
    others = [row(3, 2.0, None), row(4, None, 2.0), row(5, 1.0, 9.0, "b"), row(6, 1.0, 9.0, outcome="discard")]
    others += [row(8, 2.0, 3.0), row(9, 2.0, 1.8), row(10, 2.0, 2.4)._replace(hour0_t_ms=None)]
    assert own_yield([*weighed, *others], "a") is None, "none that cannot be, and none without spores"
    assert own_yield([*weighed, *others, row(7, 1.0, 1.2)], "a") == Fact(1.1, 1.2, 1.3, "your own 3 batches")
