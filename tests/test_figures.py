"""The files of the benchmarks. Every figure asked has its row, and a benchmark that writes it or "not measured".

Every fault listed can be put in, and the tests that must turn red for it are there.
"""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from tests.bench import figures
from tests.bench.test_faults import faults

HERE = Path(__file__).parent
ELSEWHERE = ("scenario/test_nights.py", "deploy/test_unit.py", "cli/test_watching.py")
BENCHES = [*sorted((HERE / "bench").glob("test_*.py")), *(HERE / path for path in ELSEWHERE)]
FAULTS = 300


def test_every_figure_asked_has_a_row() -> None:
    rows = [line.split(" | ") for line in figures.FILE.read_text(encoding="utf-8").splitlines() if line[:2] == "| "]
    assert [row[0].removeprefix("| ") for row in rows[1:]] == list(figures.ASKED)
    for name, asked, measured, *_, commit in rows[1:]:
        assert asked == figures.ASKED[name.removeprefix("| ")]
        assert (measured == figures.NOT_YET) == (commit == "- |"), name


def test_every_figure_is_written_by_a_benchmark() -> None:
    texts = {path.name: path.read_text(encoding="utf-8") for path in BENCHES}
    assert [name for name, text in texts.items() if "record(" not in text] == []
    written = {name for name in figures.ASKED if any(f'"{name}' in text for text in texts.values())}
    written.add("written to the card a day, with a forecast a minute")
    assert written == set(figures.ASKED)
    said = {found for text in texts.values() for found in re.findall(r'record\(\s*"([^"]+)"', text)}
    assert said <= set(figures.ASKED)


def test_a_row_is_replaced_and_the_others_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(figures, "FILE", tmp_path / "FIGURES.md")
    monkeypatch.setattr(figures, "_commit", lambda: "abc1234")  # a bare machine has no git
    figures.record("first load of the page", "18 KB")
    figures.record("written to the card a day", "34 MB", "bare 30 MB")
    figures.record("first load of the page", "19 KB")
    text = figures.FILE.read_text(encoding="utf-8")
    assert "19 KB" in text and "18 KB" not in text and "| 34 MB | bare 30 MB |" in text
    assert text.count(figures.NOT_YET) == len(figures.ASKED) - 2
    with pytest.raises(KeyError):
        figures.record("something nobody asked for", "1")


@cache
def _names(path: str) -> set[str]:
    """The functions and classes of a file; those of a folder are not looked at."""
    whole = figures.ROOT / path
    tree = ast.parse(whole.read_text(encoding="utf-8") if whole.is_file() else "")
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.ClassDef)}


def test_every_fault_stands_once_in_its_file_and_its_tests_are_there() -> None:
    """Whoever changes such a line gives the fault its new text in tests/bench/faults.txt, or another fault for it."""
    listed = list(faults())
    texts = {fault.file: (figures.ROOT / "kojimon" / fault.file).read_text(encoding="utf-8") for fault in listed}
    assert [f"{fault.file}: {fault.old}" for fault in listed if texts[fault.file].count(fault.old) != 1] == []
    assert [fault.means for fault in listed if fault.old == fault.new or not fault.tests] == []
    named = {test for fault in listed for test in fault.tests}
    assert sorted(test for test in named if not (figures.ROOT / test.partition("::")[0]).exists()) == []
    wanted = [(test, test.split("::")[0], {name.split("[")[0] for name in test.split("::")[1:]}) for test in named]
    assert sorted(test for test, path, names in wanted if not names <= _names(path)) == []
    assert len(listed) == len({(fault.file, fault.old, fault.new) for fault in listed}) == FAULTS
