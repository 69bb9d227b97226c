"""A file of an earlier version means what it meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.errors import ConfigurationError
from kojimon.schedule.load import SHIPPED, load_schedule

TODAY = (SHIPPED / "rice-koji-sake.yaml").read_text("utf-8")
EARLIER = TODAY.replace(", delay: ", ", for: ").replace("\nsteps:", "\ntasks:")


def written(folder: Path, text: str) -> Path:
    path = folder / "schedules" / "rice-koji-sake.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, "utf-8")
    return path


def test_a_schedule_of_an_earlier_version_is_the_same_schedule(tmp_path: Path) -> None:
    assert EARLIER != TODAY
    assert load_schedule(written(tmp_path, EARLIER)) == load_schedule(SHIPPED / "rice-koji-sake.yaml")


def test_both_names_at_once_are_refused(tmp_path: Path) -> None:
    for twice in ("for: 5 min, delay: 5 min", "delay: 5 min, for: 5 min"):
        with pytest.raises(ConfigurationError, match=r"high\.delay: found `.*` and `.*`, which are one setting"):
            load_schedule(written(tmp_path, TODAY.replace("{at: 40 C, delay: 5 min", f"{{at: 40 C, {twice}")))
