"""The drawing of where probes belong: fits a terminal, plain letters, and says what a careful cook would."""

from __future__ import annotations

from kojimon.cli.commands.place import BOX
from tests.cli.conftest import Kitchen


def test_it_fits_a_terminal_of_eighty_plain_letters() -> None:
    assert max(len(line) for line in BOX.splitlines()) <= 80
    assert BOX.isascii()


def test_it_says_where_each_belongs_and_to_take_care(kitchen: Kitchen) -> None:
    said = " ".join(kitchen.run("probes", "place").output.split())
    assert "half-way down, in the middle" in said and "out of the line of heater and fan" in said
    assert "Let it dry before any heat goes on: alcohol burns." in said
    assert "GFCI or RCD" in said and "licensed electricians" in said
