"""Imports point inwards only: the table of kojimon/README.md, read and held against the code."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "kojimon"
GUIDE = PACKAGE / "README.md"


@cache
def table() -> dict[str, set[str]]:
    """Module -> modules it may import, from the section "Imports"."""
    section = GUIDE.read_text(encoding="utf-8").split("## Imports", 1)[1].split("\n## ", 1)[0]
    rows: dict[str, set[str]] = {}
    for line in section.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("|") and len(cells) == 2 and cells[0] not in ("module", "---"):
            allowed = set(cells[1].split()) - {"-"}
            for module in cells[0].split(","):
                rows[module.strip()] = allowed
    return rows


def name_of(path: Path) -> str:
    """The row of the table a file belongs to: `settings.spec`, or its first folder or file name."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    dotted = ".".join(parts)
    return next((row for row in sorted(table(), key=len, reverse=True) if f"{dotted}.".startswith(f"{row}.")), parts[0])


def imported(path: Path) -> set[str]:
    """Dotted names below kojimon that a file imports, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level:
            pytest.fail(f"{path}: relative import; write the whole name")
    return {name.removeprefix("kojimon.") for name in found if name.startswith("kojimon.")}


def allowed(own: str, target: str, rows: dict[str, set[str]]) -> bool:
    may = rows.get(own, set())
    if "all" in may or target.split(".", 1)[0] in ("errors", "__version__"):
        return True
    return any(f"{target}.".startswith(f"{row}.") for row in may | {own.split(".", 1)[0]})


FILES = sorted(
    path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or path.stem not in ("__init__", "__main__")
)


def test_imports_point_inwards() -> None:
    rows = {"errors": set(), **table()}
    own = {path: name_of(path) for path in FILES}
    assert set(own.values()) - set(rows) == set(), "no row in the table of kojimon/README.md"
    wrong = {path: [target for target in imported(path) if not allowed(own[path], target, rows)] for path in FILES}
    said = [f"{path.relative_to(ROOT)} imports {names}; {own[path]} may import {sorted(rows[own[path]])}"
            for path, names in wrong.items() if names]  # fmt: skip
    assert said == []


def at_import(tree: ast.Module) -> Iterator[ast.AST]:
    """What runs, or is read by a type checker, when the module is imported: not those inside functions."""
    waiting: list[ast.AST] = list(tree.body)
    while waiting:
        node = waiting.pop()
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node
            waiting += ast.iter_child_nodes(node)


def edges() -> dict[str, set[str]]:
    """Module -> modules of kojimon it cannot be imported without."""
    names = {".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
             for path in PACKAGE.rglob("*.py")}  # fmt: skip
    found: dict[str, set[str]] = {}
    for name, path in names.items():
        wanted: set[str] = set()
        for node in at_import(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                wanted |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                wanted |= {one if one in names else node.module for one in whole}
        found[name] = wanted & set(names)
    return found


def test_no_module_needs_itself() -> None:
    """No circles between modules, not even for a type checker: what two need lies in a third."""
    left = edges()
    while free := {name for name, needs in left.items() if not needs & set(left)}:
        left = {name: needs for name, needs in left.items() if name not in free}
    needed = {name for needs in left.values() for name in needs}
    assert {name: sorted(needs & set(left)) for name, needs in left.items() if name in needed} == {}


def test_the_simulator_stands_alone() -> None:
    """sim/ carries its own physics: a mistake shared with kojimon would hide."""
    for path in (ROOT / "sim").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "import kojimon" not in text and "from kojimon" not in text, path
