"""House rules as tests: who may read a clock or sleep; sizes of files and functions; docstrings; the pure engine."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

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


def test_files_are_small() -> None:
    lines = {str(path.relative_to(ROOT)): path.read_text(encoding="utf-8").count("\n") for path in SOURCES}
    long = {path: count for path, count in lines.items() if count > LONGEST_FILE}
    assert long == {}, "would you know your way in it? Move the walls"


def test_functions_are_small() -> None:
    lengths = {
        f"{path.relative_to(ROOT)}: {node.name}": (node.end_lineno or node.lineno) - node.lineno + 1
        for path in SOURCES for node in functions(path) if not isinstance(node, ast.ClassDef)
    }  # fmt: skip
    assert {name: lines for name, lines in lengths.items() if lines > LONGEST_FUNCTION} == {}


def test_public_names_have_docstrings() -> None:
    lacking = []
    for path in SOURCES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if tree.body and not ast.get_docstring(tree):
            lacking.append(f"{path}: say what the file is for")
        for node in tree.body:
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)) and node.name[0] != "_":
                lacking += [] if ast.get_docstring(node) else [f"{path}: {node.name}"]
    assert lacking == []


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


def test_values_of_a_query_have_a_place_or_a_name_and_no_number() -> None:
    """From Python 3.14 on a sequence of values for `?1` is an error (sqlite3, "Changed in version 3.12")."""
    for path in [*SOURCES, *(ROOT / "tests").rglob("*.py")]:
        if path.name != "test_tidy.py":
            found = re.search(r"[ (,=]\?\d", path.read_text(encoding="utf-8"))
            assert not found, f"{path.relative_to(ROOT)}: {found and found[0]}"
