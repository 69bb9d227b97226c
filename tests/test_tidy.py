"""House rules as tests: who may read a clock or sleep; sizes of files and functions; docstrings; the pure engine."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SOURCES = sorted([*(ROOT / "kojimon").rglob("*.py"), *(ROOT / "sim").rglob("*.py")])
LONGEST_FILE, LONGEST_FUNCTION = 400, 70
CLOCK_CALLS = re.compile(
    r"\btime\.(time|monotonic|sleep|perf_counter|clock_gettime)|datetime\.(now|utcnow|today)|date\.today"
)
PRINTING = ("cli", "main.py", "child.py", "__main__.py")


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            yield node


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_file_and_functions_are_small(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= LONGEST_FILE, f"{lines} lines; would you know your way in it? Move the walls"
    for node in functions(path):
        if not isinstance(node, ast.ClassDef):
            length = (node.end_lineno or node.lineno) - node.lineno + 1
            assert length <= LONGEST_FUNCTION, f"{node.name} is {length} lines long"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_public_names_have_docstrings(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert path.stat().st_size == 0 or ast.get_docstring(tree), "say what the file is for"
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{node.name} has no docstring"


def test_only_the_clock_reads_a_clock() -> None:
    for path in (ROOT / "kojimon").rglob("*.py"):
        if path.name == "clock.py":
            continue
        found = CLOCK_CALLS.search(path.read_text(encoding="utf-8"))
        assert not found, f"{path.relative_to(ROOT)}: {found[0]}; take time from kojimon.clock"


def test_the_engine_knows_no_outside_world() -> None:
    forbidden = {"os", "io", "random", "time", "datetime", "pathlib", "socket", "threading", "logging", "sqlite3"}
    for path in [*(ROOT / "kojimon/engine").rglob("*.py"), *(ROOT / "kojimon/alarms").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not {name.split(".", 1)[0] for name in names} & forbidden, path


def test_no_forgotten_marks() -> None:
    marks = re.compile("|".join(("TO" + "DO", "FIX" + "ME", "XX" + "X")))
    for path in [*SOURCES, *(ROOT / "tests").rglob("*.py")]:
        assert not marks.search(path.read_text(encoding="utf-8")), path


def test_tests_do_not_sleep_the_time_away() -> None:
    """A test waits on a condition with a deadline; a helper for that may nap a few milliseconds between looks."""
    for path in (ROOT / "tests").rglob("*.py"):
        for found in re.finditer(r"(?<!def )\bsleep\(([^)]*)\)", path.read_text(encoding="utf-8")):
            naps = re.fullmatch(r"0?\.0\d+|0", found[1].strip())
            assert naps or path.name == "test_tidy.py", f"{path.relative_to(ROOT)}: {found[0]}"
