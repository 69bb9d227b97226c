"""Single values: what is taken, what it becomes, and the words for what is not."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.document import values
from kojimon.document.read import read_text
from kojimon.document.report import Report
from kojimon.document.shapes import FAILED, Shape
from kojimon.document.tree import Scalar
from kojimon.document.values import Amount, Choice, Name

TEMPERATURE = values.temperature(-20, 80)
DIFFERENCE = values.difference(-60, 60)
PERCENT = values.percent(0, 100)
MASS = values.mass(0.05, 500)
DURATION = values.duration(0, 864_000)
NEVER = values.duration(60, 86_400, words={"never": 0.0})
DAYS = values.duration(86_400, 315_360_000, per_s=86_400)
WHOLE = values.whole(1, 65_535)
NUMBER = values.number(-1000, 1000)
TEXT = values.text("a text")
PROSE = values.prose("a sentence")
SIZE = values.megabytes(0, 1024)


def read(shape: Shape, text: str, plain: bool = True) -> tuple[Any, str]:
    """The value of a text, and what is told about it."""
    report = Report("f")
    value = shape.read(Scalar(text, 1, plain), "", report)
    assert (value is FAILED) == bool(report.faults)
    return value, "".join(f"{fault.found}, {fault.wanted}" for fault in report.faults)


@pytest.mark.parametrize(
    ("shape", "text", "value"),
    [
        # NIST SP 811 (2008), appendix B.8 and B.9: t/°C = (t/°F - 32)/1.8; a difference of 1 °F is 1/1.8 °C;
        # 1 lb = 0.453 592 37 kg exactly, 1 oz = 28.349 523 125 g.
        (TEMPERATURE, "86 F", 30.0),
        (TEMPERATURE, "90 F", 32.222222222),
        (TEMPERATURE, "109.4 °F", 43.0),
        (TEMPERATURE, "14 F", -10.0),
        (DIFFERENCE, "5.4 F", 3.0),
        (DIFFERENCE, "0.9F", 0.5),
        (MASS, "4 lb", 1.81436948),
        (MASS, "8 oz", 0.226796185),
        (TEMPERATURE, "30 C", 30.0),
        (TEMPERATURE, "30°C", 30.0),
        (TEMPERATURE, "-12.5 C", -12.5),
        (DIFFERENCE, "-3 C", -3.0),
        (PERCENT, "85 %", 85.0),
        (PERCENT, "99.5%", 99.5),
        (MASS, "2 kg", 2.0),
        (MASS, "500 g", 0.5),
        (DURATION, "90 s", 90.0),
        (DURATION, "40 h", 144_000.0),
        (DURATION, "2 d 4 h", 187_200.0),
        (DURATION, "2.5 h", 9_000.0),
        (DURATION, "1 d 2 h 3 min 4 s", 93_784.0),
        (NEVER, "never", 0.0),
        (DAYS, "30 d", 30.0),
        (WHOLE, "1883", 1883),
        (NUMBER, "0.001", 0.001),
        (NUMBER, "-1e2", -100.0),
        (SIZE, "8 MB", 8.0),
        (TEXT, "the box", "the box"),
        (PROSE, "one\n  two", "one two"),
        (Name(), "top-tray", "top-tray"),
        (Name(), "3", "3"),
        (values.flag(), "true", True),
        (values.amount(), "34 C", Amount(34.0, "C")),
        (values.amount(), "85%", Amount(85.0, "%")),
    ],
)  # fmt: skip
@pytest.mark.parametrize("plain", [True, False], ids=["bare", "quoted"])
def test_values(shape: Shape, text: str, value: Any, plain: bool) -> None:
    found = read(shape, text, plain)[0]
    assert found == (pytest.approx(value, abs=1e-9) if isinstance(value, float) else value)
    assert type(found) is type(value)


T, D = (
    "a temperature with its unit, as in `30 C` or `86 F`",
    "a duration with its unit, as in `40 h`, `10 min` or `2 d 4 h`",
)
BASE_60 = "(other YAML readers take this for a number to the base 60)"
OCTAL = "(other YAML readers take this for an octal number)"
NOT_FINITE = "(other YAML readers take this for no finite number)"
QUOTES = "expected quotes around it, or a text"


@pytest.mark.parametrize(
    ("shape", "text", "seen"),
    [
        (TEMPERATURE, "", f"found nothing, expected {T}"),
        (TEMPERATURE, "30", f"found `30`, expected {T}"),
        (TEMPERATURE, "30 %", f"found `30 %`, expected {T}"),
        (TEMPERATURE, "30 c", f"found `30 c`, expected {T}"),
        (TEMPERATURE, "2 kg", f"found `2 kg`, expected {T}"),
        (TEMPERATURE, "30,5 C", f"found `30,5 C`, expected {T} (with a decimal point: `30.5 C`)"),
        (TEMPERATURE, "30,5", f"found `30,5`, expected {T} (numbers have a decimal point, no comma)"),
        (TEMPERATURE, "1_0 C", f"found `1_0 C`, expected {T}"),
        (TEMPERATURE, ".nan", f"found `.nan`, expected {T} (other YAML readers take this for no finite number)"),
        (TEMPERATURE, "inf C", f"found `inf C`, expected {T}"),
        (TEMPERATURE, "1e1 C", f"found `1e1 C`, expected {T}"),
        (TEMPERATURE, "300 C", "found `300 C`, expected a temperature from -20 C to 80 C (-4 F to 176 F)"),
        (TEMPERATURE, "٣٠ C", f"found `٣٠ C`, expected {T}"),
        (DIFFERENCE, "3", "found `3`, expected a difference of temperatures with its unit, as in `3 C` or `5.4 F`"),
        (PERCENT, "85", "found `85`, expected a percentage, as in `85 %`"),
        (PERCENT, "101 %", "found `101 %`, expected a percentage from 0 % to 100 %"),
        (MASS, "2", "found `2`, expected a mass with its unit, as in `2 kg` or `4 lb`"),
        (MASS, "-2 kg", "found `-2 kg`, expected a mass with its unit, as in `2 kg` or `4 lb`"),
        (MASS, "0 kg", "found `0 kg`, expected a mass from 0.05 kg to 500 kg"),
        (DURATION, "12:30", f"found `12:30`, expected {D} {BASE_60}"),
        (DURATION, "90", f"found `90`, expected {D}"),
        (DURATION, "-5 min", f"found `-5 min`, expected {D}"),
        (DURATION, "5 m", f"found `5 m`, expected {D}"),
        (DURATION, "20 d", "found `20 d`, expected 0 s to 10 d"),
        (NEVER, "nevr", f"found `nevr`, expected {D}, or `never`"),
        (NEVER, "0 s", "found `0 s`, expected 1 min to 24 h"),
        (WHOLE, "010", f"found `010`, expected a whole number from 1 to 65535 {OCTAL}"),
        (WHOLE, "0x1F", "found `0x1F`, expected a whole number from 1 to 65535"),
        (WHOLE, "3.5", "found `3.5`, expected a whole number from 1 to 65535"),
        (WHOLE, "70000", "found `70000`, expected a whole number from 1 to 65535"),
        (WHOLE, "9" * 5000, f"found `{'9' * 59}…`, expected a whole number from 1 to 65535"),
        (WHOLE, "22:00", f"found `22:00`, expected a whole number from 1 to 65535 {BASE_60}"),
        (NUMBER, "1e999", "found `1e999`, expected a number from -1000 to 1000"),
        (NUMBER, ".inf", f"found `.inf`, expected a number from -1000 to 1000 {NOT_FINITE}"),
        (NUMBER, "0,5", "found `0,5`, expected a number from -1000 to 1000 (with a decimal point: `0.5`)"),
        (values.flag(), "no", "found `no`, expected `true` or `false` (other YAML readers take this for yes or no)"),
        (values.flag(), "True", "found `True`, expected `true` or `false` (did you mean `true`?)"),
        (values.choice("tell", "wake"), "wak", "found `wak`, expected `tell` or `wake` (did you mean `wake`?)"),
        (TEXT, "no", "found `no`, which other YAML readers take for yes or no, expected quotes around it, or a text"),
        (TEXT, "12", "found `12`, which other YAML readers take for a number, expected quotes around it, or a text"),
        (TEXT, "2026-11-25", f"found `2026-11-25`, which other YAML readers take for a date, {QUOTES}"),
        (Name(), "a b", "found `a b`, expected a name of letters, digits, `-` and `_`, as in `top-tray` (40 at most)"),
        (Name(), "a/b", "found `a/b`, expected a name of letters, digits, `-` and `_`, as in `top-tray` (40 at most)"),
        (TEXT, "u:pw@host" * 30, "found a text that may hold a password (not repeated here), expected a text"),
    ],
)  # fmt: skip
def test_what_a_person_sees(shape: Shape, text: str, seen: str) -> None:
    assert read(shape, text) == (FAILED, seen)


@pytest.mark.parametrize(
    ("text", "seen"),
    [("[1]", "found a list"), ("{a: 1}", "found a map of keys and values"), ("''", "found ``"), ("~", "found `~`")],
)
def test_other_things_where_a_value_belongs(text: str, seen: str) -> None:
    report = Report("f")
    node = read_text(f"x: {text}", report)
    assert node is not None
    TEMPERATURE.read(node.entries[0].value, "x", report)  # type: ignore[union-attr]
    assert report.faults[0].found == seen


SHOWN = [
    (TEMPERATURE, st.floats(-20, 80)),
    (DIFFERENCE, st.floats(-60, 60)),
    (PERCENT, st.floats(0, 100)),
    (MASS, st.floats(0.05, 500)),
    (SIZE, st.floats(0, 1024)),
    (NUMBER, st.floats(-1000, 1000)),
    (DURATION, st.floats(0, 864_000)),
    (DAYS, st.integers(1, 3650).map(float)),
]


@pytest.mark.parametrize(("shape", "strategy"), SHOWN, ids=[shape.what[:24] for shape, _ in SHOWN])
def test_what_is_written_is_read_back(shape: Shape, strategy: st.SearchStrategy[float]) -> None:
    """To a billionth, the digits that are written."""

    @settings(deadline=None)
    @given(strategy)
    def back(value: float) -> None:
        assert read(shape, shape.show(value))[0] == pytest.approx(value, abs=1e-6 if shape is DURATION else 2e-9)

    back()


@settings(deadline=None)
@given(st.one_of(st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=200)))
def test_any_text_is_written_so_that_it_is_read_back(text: str) -> None:
    report = Report("f")
    node = read_text(f"x: {TEXT.show(text)}\n", report)
    assert not report.faults, report.faults
    assert TEXT.read(node.entries[0].value, "x", report) == text  # type: ignore[union-attr]
    assert not report.faults


@settings(deadline=None)
@given(st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", fullmatch=True))
def test_any_name_is_written_so_that_it_is_read_back(name: str) -> None:
    report = Report("f")
    node = read_text(f"x: {Name().show(name)}\n", report)
    assert Name().read(node.entries[0].value, "x", report) == name, report.faults  # type: ignore[union-attr]


def test_patterns_are_the_part_that_json_schema_shares() -> None:
    """JSON Schema 2020-12 core, 6.4: no look-behind, no named groups, no Unicode classes."""
    shapes = (TEMPERATURE, DIFFERENCE, PERCENT, MASS, DURATION, NEVER, WHOLE, NUMBER, TEXT, PROSE, SIZE, Name())
    for shape in shapes:
        assert not re.search(r"\(\?[<P!]|\\[dswpb]", shape.pattern), shape.what


def test_choices_stand_in_the_schema_as_json_has_them() -> None:
    assert Choice({"5": 5, "3.1.1": 3}).schema({}) == {"enum": [5, "5", "3.1.1"]}
    assert values.flag().schema({}) == {"enum": [True, False, "true", "false"]}
