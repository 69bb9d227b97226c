"""Options of the whole run: what it does without, and how long it may take."""

from __future__ import annotations

import pytest
from hypothesis import settings

from tests.parts.need import PARTS, do_without
from tests.parts.size import take_long

settings.register_profile("same", derandomize=True, database=None)
settings.register_profile("long", max_examples=500, deadline=None, print_blob=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--without PART` and `--long`."""
    parser.addoption("--without", action="append", default=[], choices=PARTS, help="leave out what needs this part")
    parser.addoption("--long", action="store_true", help="statistics at full length, random examples")


def pytest_configure(config: pytest.Config) -> None:
    """Before the first test, in each worker."""
    do_without(config.getoption("--without"))
    take_long(config.getoption("--long"))
    settings.load_profile("long" if config.getoption("--long") else "same")
