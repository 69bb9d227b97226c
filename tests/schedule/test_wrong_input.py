# ruff: noqa: E501 - what a person sees stands on one line
"""Wrong schedules of every kind: the exact words a person sees. Each case changes one thing in a good file."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.errors import ConfigurationError
from kojimon.schedule.load import load_schedule
from tests.parts.size import size

GOOD = """\
label: Mine
purpose: a test
conditions:
  hot: {place: bed, at_least: 38 C, delay: 5 min}
stages:
  first:
    label: First
    begins: 0 h
    bands:
      bed: {temperature: {low: {at: 26 C, delay: 60 min, priority: tell}, high: {at: 104 F, delay: 5 min, priority: wake}}}
      air: {humidity: {low: {at: 60 %, delay: 45 min, priority: tell}}}
  second: {label: Second, begins: {first_of: [{holds: hot}, 20 h]}}
steps:
  inoculate: {label: Sprinkle, work: inoculate, gate: {place: bed, at_most: 90 F}}
  check: {label: Look, work: mix, opens: 18 h, due: 24 h, closes: 30 h}
  mix: {label: Mix, work: mix, repeats: true, opens: {holds: hot, since: mix}}
  harvest: {label: Take out, work: harvest, opens: 40 h, closes: 50 h}
expectations:
  warm: {label: Not warm yet, any_of: [hot], by: 26 h, causes: [cold]}
"""

D = "a duration with its unit, as in `40 h`, `10 min` or `2 d 4 h`"
QUIET = "`tell` or `log` (only the koji's own temperature may wake)"

CASES = {
    "unknown key": ("purpose:", "colour: red\npurpose:",
        "s.yaml:2: colour: found the unknown key `colour`, expected one of label, purpose, grain, conditions, stages, steps, expectations, cautions, box, response"),
    "a formula": ("opens: 18 h", "opens: inoculate + 18 h", f"s.yaml:15: steps.check.opens: found `inoculate + 18 h`, expected {D}"),
    "hours without unit": ("opens: 18 h", "opens: 18", f"s.yaml:15: steps.check.opens: found `18`, expected {D}"),
    "hours as a clock": ("opens: 18 h", "opens: 18:00",
        f"s.yaml:15: steps.check.opens: found `18:00`, expected {D} (other YAML readers take this for a number to the base 60)"),
    "a moment of two kinds": ("{holds: hot, since: mix}", "{holds: hot, after: mix}",
        "s.yaml:16: steps.mix.opens: found `holds` and `after`, expected just one of `after`, `holds`, `first_of` or `last_of`"),
    "a moment of no kind": ("{holds: hot, since: mix}", "{hold: hot}",
        "s.yaml:16: steps.mix.opens: found a map of keys and values, expected just one of `after`, `holds`, `first_of` or `last_of`"),
    "no moments": ("{first_of: [{holds: hot}, 20 h]}", "{first_of: []}", "s.yaml:12: stages.second.begins.first_of: found 0 of them, expected 1 to 8"),
    "no such condition": ("{holds: hot, since: mix}", "{holds: hto, since: mix}",
        "s.yaml:16: steps.mix.opens.holds: found `hto` (did you mean `hot`?), expected one of the conditions: `hot`"),
    "no such condition, deep down": ("[{holds: hot}, 20 h]", "[{last_of: [{holds: hto}]}, 20 h]",
        "s.yaml:12: stages.second.begins.first_of[0].last_of[0].holds: found `hto` (did you mean `hot`?), expected one of the conditions: `hot`"),
    "no such condition expected": ("any_of: [hot]", "any_of: [hot, warm]",
        "s.yaml:19: expectations.warm.any_of[1]: found `warm`, expected one of the conditions: `hot`"),
    "no such step": ("{holds: hot, since: mix}", "{after: mixx, wait: 1 h}",
        "s.yaml:16: steps.mix.opens.after: found `mixx` (did you mean `mix`?), expected one of the steps: `inoculate`, `check`, `mix` or `harvest`"),
    "a step that waits for itself": ("due: 24 h", "due: {after: check, wait: 1 h}",
        "s.yaml:15: steps.check.due.after: found `check`, the step itself, expected another step, or `repeats: true`"),
    "hour 0 after hour 0": ("work: inoculate,", "work: inoculate, opens: 1 h,",
        "s.yaml:14: steps.inoculate.opens: found a time since hour 0, expected another moment: `inoculate` is hour 0"),
    "hour 0 twice": ("work: inoculate,", "work: inoculate, repeats: true,",
        "s.yaml:14: steps.inoculate.repeats: found `true`, expected `false`: hour 0 comes once"),
    "another inoculation": ("work: mix, opens: 18 h", "work: inoculate, opens: 18 h",
        "s.yaml:15: steps.check.work: found `inoculate`, expected `inoculate` at step `inoculate` and at no other"),
    "no harvest": ("work: harvest", "work: none", "s.yaml:13: steps: found no step with `work: harvest`, expected one: the koji has to be taken out in time"),
    "window upside down": ("due: 24 h", "due: 17 h",
        "s.yaml:15: steps.check.due: found 17 h after `inoculate`, before it opens at 18 h, expected 18 h or later"),
    "window closed before it opens": ("opens: 40 h, closes: 50 h", "opens: 40 h, closes: {first_of: [39 h, {holds: hot}]}",
        "s.yaml:17: steps.harvest.closes: found 39 h after `inoculate`, before it opens at 40 h, expected 40 h or later"),
    "band upside down": ("at: 104 F", "at: 70 F",
        "s.yaml:10: stages.first.bands.bed.temperature.high: found `high` at 21.11 C, not above `low` at 26 C, expected low_low < low < high < high_high"),
    "band upside down across": ("low: {at: 26 C", "low_low: {at: 27 C, delay: 1 h, priority: wake}, low: {at: 26 C",
        "s.yaml:10: stages.first.bands.bed.temperature.low: found `low` at 26 C, not above `low_low` at 27 C, expected low_low < low < high < high_high"),
    "deadband as wide as the band": ("at: 26 C, delay: 60 min,", "at: 39 C, deadband: 2 C, delay: 60 min,",
        "s.yaml:10: stages.first.bands.bed.temperature.low.deadband: found a deadband of 2 C that reaches up to `high`, expected a smaller one: the alarm could never clear"),
    "no limit in a band": ("{low: {at: 60 %, delay: 45 min, priority: tell}}", "{ramp: 1 h}",
        "s.yaml:11: stages.first.bands.air.humidity: found no limit, expected at least one of `low_low`, `low`, `high` or `high_high`"),
    "humidity in degrees": ("at: 60 %", "at: 60 C", "s.yaml:11: stages.first.bands.air.humidity.low.at: found `60 C`, expected a percentage, as in `85 %`"),
    "temperature in percent": ("at: 26 C", "at: 26 %",
        "s.yaml:10: stages.first.bands.bed.temperature.low.at: found `26 %`, expected a temperature with its unit, as in `30 C` or `86 F`"),
    "more than wet": ("at: 60 %", "at: 160 %", "s.yaml:11: stages.first.bands.air.humidity.low.at: found `160 %`, expected a percentage from 0 % to 100 %"),
    "boiling koji": ("at: 26 C", "at: 260 C",
        "s.yaml:10: stages.first.bands.bed.temperature.low.at: found `260 C`, expected a temperature from -10 C to 80 C (14 F to 176 F)"),
    "a limit without delay": ("at: 26 C, delay: 60 min,", "at: 26 C,", f"s.yaml:10: stages.first.bands.bed.temperature.low: found no `delay`, expected `delay:` {D}"),
    "a limit that does nothing": ("delay: 60 min, priority: tell", "delay: 60 min",
        "s.yaml:10: stages.first.bands.bed.temperature.low: found no `priority`, expected `priority:` `wake`, `tell` or `log`"),
    "air that wakes": ("delay: 45 min, priority: tell", "delay: 45 min, priority: wake",
        f"s.yaml:11: stages.first.bands.air.humidity.low.priority: found `wake`, expected {QUIET}"),
    "the clock that wakes": ("by: 26 h", "priority: wake, by: 26 h", f"s.yaml:19: expectations.warm.priority: found `wake`, expected {QUIET}"),
    "no such place": ("      air:", "      shelf: {temperature: {}}\n      air:",
        "s.yaml:11: stages.first.bands.shelf: found the unknown key `shelf`, expected one of bed, air, room, wet-bulb"),
    "gate without a value": ("gate: {place: bed, at_most: 90 F}", "gate: {place: bed}",
        "s.yaml:14: steps.inoculate.gate: found neither `at_least` nor `at_most`, expected one of them"),
    "gate upside down": ("at_most: 90 F", "at_least: 95 F, at_most: 90 F",
        "s.yaml:14: steps.inoculate.gate: found `at_least` not below `at_most`, expected `at_least` below `at_most`"),
    "gate of two kinds": ("at_most: 90 F", "at_least: 20 %, at_most: 90 F",
        "s.yaml:14: steps.inoculate.gate: found a temperature and a percentage, expected two of a kind"),
    "tolerance of the other kind": ("at_most: 90 F", "at_most: 90 F, tolerance: 2 %",
        "s.yaml:14: steps.inoculate.gate.tolerance: found `2 %`, expected a difference of the gate's own kind, from 0 to 20 C (36 F) or 20 %"),
    "gate hotter than steam": ("at_most: 90 F", "at_most: 900 F",
        "s.yaml:14: steps.inoculate.gate.at_most: found `900 F`, expected a temperature from -20 C to 110 C"),
    "condition of nothing": ("at_least: 38 C, ", "", "s.yaml:4: conditions.hot: found neither `at_least` nor `at_most`, expected one of them"),
    "condition of both": ("at_least: 38 C", "at_least: 38 C, at_most: 40 C", "s.yaml:4: conditions.hot: found both `at_least` and `at_most`, expected one of them"),
    "above itself": ("at_least: 38 C", "above: bed, at_least: 3 C", "s.yaml:4: conditions.hot.above: found `bed`, the place itself, expected another one"),
    "a difference like a level": ("at_least: 38 C", "above: air, at_least: 138 F",
        "s.yaml:4: conditions.hot.at_least: found `138 F`, expected a difference of 60 C (108 F) at most"),
    "itself without another": ("at_least: 38 C", "at_least: 38 C, itself_at_least: 30 C",
        "s.yaml:4: conditions.hot.itself_at_least: found `itself_at_least` without `above`, expected `at_least` alone"),
    "no reading": ("at_least: 38 C", "at_least: .nan",
        "s.yaml:4: conditions.hot.at_least: found `.nan`, expected a temperature or a percentage with its unit, as in `34 C`, `93 F` or `85 %` (other YAML readers take this for no finite number)"),
    "decimal comma": ("at_least: 38 C", 'at_least: "38,5 C"',
        "s.yaml:4: conditions.hot.at_least: found `38,5 C`, expected a temperature or a percentage with its unit, as in `34 C`, `93 F` or `85 %` (with a decimal point: `38.5 C`)"),
    "yes for a flag": ("repeats: true", "repeats: yes", "s.yaml:16: steps.mix.repeats: found `yes`, expected `true` or `false` (other YAML readers take this for yes or no)"),
    "a step twice": ("  harvest: {", "  check: {label: Again}\n  harvest: {",
        "s.yaml:17: steps.check: found this key a second time (first on line 15), expected each key once"),
    "a stage called no": ("  second: {label", "  no: {label",
        "s.yaml:12: stages.no: found `no`, which other YAML readers take for yes or no, expected quotes around it, or the name of a stage of letters, digits, `-` and `_`, as in `top-tray` (40 at most)"),
    "blind for a second": ("label: First", "label: First\n    blind: 1 s", "s.yaml:8: stages.first.blind: found `1 s`, expected 1 min to 24 h"),
    "too many causes": ("[cold]", f"[{', '.join(['cold'] * 30)}]", "s.yaml:19: expectations.warm.causes: found 30 of them, expected 0 to 20"),
    "a watch of air that wakes": ("begins: 0 h", "begins: 0 h\n    watches: [{exposure: {place: air, at_least: 40 C, total: 1 h, priority: wake}}]",
        "s.yaml:9: stages.first.watches[0].exposure.priority: found `wake`, expected `tell` or `log`: only the koji's temperature may wake"),
    "a watch of no distance": ("begins: 0 h", "begins: 0 h\n    watches: [{deviation: {place: air, target: 30 C}}]",
        "s.yaml:9: stages.first.watches[0].deviation: found neither `above` nor `below`, expected one of them or both"),
}  # fmt: skip


def refusal(folder: Path, text: str) -> list[str]:
    path = folder / "s.yaml"
    path.write_text(text, encoding="utf-8")
    try:
        load_schedule(path)
    except ConfigurationError as error:
        return [line.replace(f"{folder}/", "") for line in str(error).splitlines()]
    return []


def test_the_good_one_is_good(tmp_path: Path) -> None:
    assert refusal(tmp_path, GOOD) == []


@pytest.mark.parametrize("name", CASES)
def test_what_a_person_sees(tmp_path: Path, name: str) -> None:
    good, bad, seen = CASES[name]
    assert good in GOOD
    assert seen in refusal(tmp_path, GOOD.replace(good, bad, 1))


@pytest.mark.parametrize("name", CASES)
def test_no_fault_hides_one_elsewhere(tmp_path: Path, name: str) -> None:
    good, bad, seen = CASES[name]
    text = GOOD.replace(good, bad, 1) + "response: 5\nbox: {falls: 3}\n"
    told = refusal(tmp_path, text)
    assert seen in told
    assert any(f"response: found `5`, expected {D}" in line for line in told)
    assert any("box.falls: found `3`, expected a difference of temperatures with its unit" in line for line in told)


SPOILT = st.tuples(st.integers(0, len(GOOD)), st.text(max_size=6), st.integers(0, 12)).map(
    lambda cut: GOOD[: cut[0]] + cut[1] + GOOD[cut[0] + cut[2] :]
)


@settings(max_examples=size(100, 300), deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=200) | SPOILT)
def test_arbitrary_text_is_taken_or_refused_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    assert all(line.startswith("s.yaml:") for line in refusal(folder, text))
