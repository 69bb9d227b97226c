"""The curve as text: fits the width, shows what the picture shows."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.curve import Mark
from kojimon.curve.terminal import lines
from tests.curve.sheets import koji_c, sheet


@settings(max_examples=25, deadline=None)
@given(st.integers(40, 200), st.integers(10, 120), st.booleans())
def test_no_line_is_wider_than_the_terminal(columns: int, rows: int, fahrenheit: bool) -> None:
    found = lines(sheet(), columns, rows, fahrenheit, "America/Chicago")
    assert all(len(line) <= columns for line in found)
    assert 4 <= len(found) <= rows + 6


def test_the_hottest_of_each_hour_stands_beside_it() -> None:
    found = {line.split()[0]: line for line in lines(sheet(), 100, 60, False, "UTC")}
    assert f"{max(koji_c(32 + minute / 60) for minute in range(60)):.1f}" in found["32"]
    assert "Broken up and mixed" in found["24"]
    assert "Top tray 43.2" in found["31"]


def test_where_nothing_was_read_a_dash_stands() -> None:
    one = sheet(tracks=sheet().tracks[:1], marks=(Mark(20.5, "gap", "nothing read"),))
    row = next(line for line in lines(one, 100, 60, False, "UTC") if line.startswith("  20 "))
    assert " -" in row and "nothing read" in row


@pytest.mark.parametrize("columns", [40, 100])
def test_fahrenheit(columns: int) -> None:
    found = "\n".join(lines(sheet(), columns, 60, True, "UTC"))
    assert "105.8" in found and "41.0" not in found
