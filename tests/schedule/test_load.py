"""A good schedule file becomes frozen records."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from kojimon.errors import ConfigurationError
from kojimon.model import Priority
from kojimon.schedule.load import SHIPPED, find_schedule, known_schedules, load_schedule
from kojimon.schedule.spec import (
    After,
    Band,
    BoxWatch,
    Condition,
    Deviation,
    Expectation,
    Exposure,
    FirstOf,
    Gate,
    Holds,
    LastOf,
    Limit,
    Schedule,
    Stage,
    Step,
    Window,
)

EVERYTHING = """\
label: Everything
purpose: a test
conditions:
  hot: {place: bed, at_least: 100.4 F, delay: 5 min, from: 8 h}
  dry: {place: air, at_most: 50 %}
  above: {place: bed, above: air, at_least: 5.4 F, itself_at_least: 86 F, delay: 10 min}
stages:
  one:
    label: One
    begins: 0 h
    blind: never
    watches:
      - deviation: {place: air, target: 86 F, above: 3.6 F, below: 2 C, delay: 20 min, priority: log}
      - exposure: {place: bed, at_least: 40 C, total: 2 h, priority: wake}
    bands:
      bed:
        temperature:
          low_low: {at: 22 C, delay: 60 min, priority: wake}
          high: {at: 40 C, delay: 5 min, priority: wake, clears_after: 2 min, deadband: 0.9 F, samples: 5}
      wet-bulb: {temperature: {ramp: 30 min, low: {at: 20 C, delay: 1 h, priority: log}}}
  two: {label: Two, begins: {last_of: [{first_of: [{holds: hot}, {after: mix}]}, 20 h]}}
steps:
  steam: {label: Steam, lasts: 45 min, optional: true}
  inoculate: {label: Sow, trade: tane-kiri, work: inoculate, gate: {place: bed, at_most: 90 F, tolerance: 1.8 F}}
  mix:
    label: Mix
    work: mix
    repeats: true
    opens: {holds: hot, since: mix}
    due: {after: mix, wait: 2 h}
    closes: 40 h
    advice: [One., "Two: three."]
    cautions:
      - >
        A long one
        over two lines.
  harvest: {label: End, work: harvest, gate: {place: air, at_least: 40 %, at_most: 80 %}}
expectations:
  warm: {label: Not warm, any_of: [hot, above], by: 26 h, priority: log, causes: [cold]}
cautions: [Mind the step.]
box: {falls: 4 C, off_after: 10 min, rises: 9 F, hot_after: 15 min}
response: 20 min
"""


def load(folder: Path, text: str) -> Schedule:
    path = folder / "everything.yaml"
    path.write_text(text, encoding="utf-8")
    return load_schedule(path)


def test_everything(tmp_path: Path) -> None:
    found = load(tmp_path, EVERYTHING)
    assert (found.name, found.label, found.purpose) == ("everything", "Everything", "a test")
    assert found.conditions == {
        "hot": Condition("bed", at_least=38.0, hold_s=300.0, from_s=28_800.0),
        "dry": Condition("air", "humidity", at_most=50.0),
        "above": Condition("bed", at_least=3.0, above="air", itself_at_least=30.0, hold_s=600.0),
    }
    wake, log = Priority.WAKE, Priority.LOG
    watches = (
        Deviation("air", 30.0, above=2.0, below=2.0, for_s=1200.0, priority=log),
        Exposure("bed", 40.0, 7200.0, priority=wake),
    )
    bands = (
        Band("bed", "temperature", Limit(22.0, 3600.0, wake), high=Limit(40.0, 300.0, wake, 120.0, 0.5, 5)),
        Band("wet-bulb", "temperature", low=Limit(20.0, 3600.0, log, deadband=0.5), ramp_s=1800.0),
    )
    begins = LastOf((FirstOf((Holds("hot"), After("mix", 0.0))), After("inoculate", 72_000.0)))
    assert found.stages == (
        Stage("one", "One", After("inoculate", 0.0), bands, 0.0, watches),
        Stage("two", "Two", begins),
    )
    mix = Window(Holds("hot", "mix"), After("mix", 7200.0), After("inoculate", 144_000.0))
    assert found.steps == (
        Step("steam", "Steam", lasts_s=2700.0, optional=True),
        Step("inoculate", "Sow", "tane-kiri", "inoculate", gate=Gate("bed", at_most=32.222222222, tolerance=1.0)),
        Step("mix", "Mix", work="mix", window=mix, repeats=True, advice=("One.", "Two: three."),
             cautions=("A long one over two lines.",)),
        Step("harvest", "End", work="harvest", gate=Gate("air", "humidity", 40.0, 80.0, 3.0)),
    )  # fmt: skip
    assert found.expectations == (
        Expectation("warm", "Not warm", "hot", After("inoculate", 93_600.0), log, ("cold",), ("above",)),
    )
    assert found.cautions == ("Mind the step.",)
    assert found.box == BoxWatch(4.0, 600.0, 5.0, 900.0)
    assert found.response_s == 1200.0


def test_what_is_left_out_is_the_records_own_default(tmp_path: Path) -> None:
    found = load(
        tmp_path,
        "label: L\npurpose: p\nstages: {a: {label: A, begins: 0 h}}\n"
        "steps: {inoculate: {label: I, work: inoculate}, end: {label: E, work: harvest}}\n",
    )
    assert found == Schedule(
        "everything", "L", "p", (Stage("a", "A", After("inoculate", 0.0)),),
        (Step("inoculate", "I", work="inoculate"), Step("end", "E", work="harvest")),
    )  # fmt: skip


def test_the_box_may_go_unwatched(tmp_path: Path) -> None:
    assert load(tmp_path, EVERYTHING.replace("box: {falls: 4 C,", "box: {watch: false, falls: 4 C,")).box is None


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.yaml")), ids=lambda path: path.stem)
def test_schedules_survive_the_way_through_json(path: Path) -> None:
    found = load_schedule(path)
    assert msgspec.json.decode(msgspec.json.encode(found), type=Schedule) == found


def test_where_a_schedule_is_looked_for(tmp_path: Path) -> None:
    shipped = ["barley-koji", "rice-koji-home-trays", "rice-koji-miso", "rice-koji-sake", "soy-sauce-koji"]
    assert known_schedules(tmp_path) == shipped
    assert find_schedule("rice-koji-sake", tmp_path) == SHIPPED / "rice-koji-sake.yaml"
    assert find_schedule("nothing", tmp_path) is None
    own = tmp_path / "schedules" / "rice-koji-sake.yaml"
    own.parent.mkdir()
    own.write_text(EVERYTHING)
    assert find_schedule("rice-koji-sake", tmp_path) == own
    assert known_schedules(tmp_path) == shipped


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="found no such file"):
        load_schedule(tmp_path / "none.yaml")
