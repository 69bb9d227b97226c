"""The whole run: its options, its order, and what holds for every test: children hear signals, journals are closed."""

from __future__ import annotations

import gc
import os
import tempfile

import pytest
from hypothesis import HealthCheck, settings

from tests.parts.compiled import compile_once, read_share
from tests.parts.need import PARTS, do_without
from tests.parts.opened import close_readers, watch_connections
from tests.parts.order import longest_first
from tests.parts.signals import let_children_hear
from tests.parts.size import take_long

__all__ = ["close_readers"]

# As in the process that forecasts. Read when numpy loads; each worker would keep every processor spinning else.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Whoever runs the tests may have set kojimon up: their settings are none of these tests' business, nor the other way.
_HOME = tempfile.TemporaryDirectory(prefix="kojimon-home-")
os.environ.update(XDG_CONFIG_HOME=_HOME.name, XDG_STATE_HOME=_HOME.name)

# How long an example takes says how busy the machine is: that fails nothing.
_UNTIMED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same", _UNTIMED, max_examples=50, derandomize=True, database=None)
settings.register_profile("long", _UNTIMED, max_examples=500, print_blob=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--without PART` and `--long`."""
    parser.addoption("--without", action="append", default=[], choices=PARTS, help="leave out what needs this part")
    parser.addoption("--long", action="store_true", help="statistics at full length, random examples")


def pytest_configure(config: pytest.Config) -> None:
    """Before the first test, in each worker."""
    compile_once()
    if config.getoption("dist", "no") == "no":  # not where workers start the processes: those stay as deaf as the run
        let_children_hear()
    watch_connections()
    do_without(config.getoption("--without"))
    take_long(config.getoption("--long"))
    settings.load_profile("long" if config.getoption("--long") else "same")
    ours = getattr(config, "workerinput", None)
    if ours and config.args_source is config.ArgsSource.TESTPATHS:
        read_share(int(ours["workerid"].removeprefix("gw")), ours["workercount"])


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """After the order was drawn by lot, the same in every worker."""
    items[:] = longest_first(items, int(getattr(config, "workerinput", {}).get("workercount", 1)))


def pytest_collection_finish() -> None:
    """Thousands of tests stay until the end: whoever collects what a test left need not look through them again."""
    gc.collect()
    gc.freeze()
