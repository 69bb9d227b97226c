"""A file of an earlier version means what it meant, and `check` prints the lines to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.errors import ConfigurationError
from kojimon.schedule.load import SHIPPED, load_schedule, older_schedule_lines
from kojimon.settings.load import load_settings, older_lines

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


def test_the_lines_to_write_make_it_a_file_of_today(tmp_path: Path) -> None:
    path, lines = written(tmp_path, EARLIER), EARLIER.splitlines()
    said = older_schedule_lines(path)
    for one in said:
        where, _, line = one.partition(": write `")
        number = int(where.removeprefix(f"{path}:")) - 1
        indent = lines[number][: len(lines[number]) - len(lines[number].lstrip())]
        lines[number] = indent + line.removesuffix("`")
    assert "\n".join(lines) + "\n" == TODAY
    assert older_schedule_lines(written(tmp_path, TODAY)) == []


def test_both_names_at_once_are_refused(tmp_path: Path) -> None:
    for twice in ("for: 5 min, delay: 5 min", "delay: 5 min, for: 5 min"):
        with pytest.raises(ConfigurationError, match=r"high\.delay: found `.*` and `.*`, which are one setting"):
            load_schedule(written(tmp_path, TODAY.replace("{at: 40 C, delay: 5 min", f"{{at: 40 C, {twice}")))


def test_check_reads_the_schedules_of_the_settings(tmp_path: Path) -> None:
    path = tmp_path / "kojimon.yaml"
    path.write_text(
        "sources: {sim: {kind: simulated}}\nincubators: {box: {schedule: rice-koji-sake}}\n"
        "probes: {top: {place: bed}}\n",
        "utf-8",
    )
    assert older_lines(path, load_settings(path)) == []
    own = written(tmp_path, EARLIER)
    assert older_lines(path, load_settings(path)) == older_schedule_lines(own) != []
