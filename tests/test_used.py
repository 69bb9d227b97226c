"""Every definition is used by the program itself, not by its tests alone; what only unused things use is unused too."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from kojimon.cli.main import COMMANDS

ROOT = Path(__file__).resolve().parents[1]
SOURCES = sorted((ROOT / "kojimon").rglob("*.py"))
CALLED_BY_NAME = re.compile(r"__\w+__|main")
"""What Python itself calls, and the entries of commands and processes."""
OWN_BASES = {"Struct", "NamedTuple", "Protocol"}
"""Bases that call no method of what stands on them; any other library's base may."""
ANYWHERE = ""

Use = tuple[str, str]
"""A module, or ANYWHERE, and a name in it."""


class Definition(NamedTuple):
    """A function, method, class or a module's own name.

    Attributes:
        module: dotted; file: its path.
        called: by a library, whatever our own code says.
        uses: what its text needs, the definitions inside it aside.
    """

    module: str
    file: str
    name: str
    called: bool
    uses: frozenset[Use]


class Module:
    """The definitions of a file. What stands in none of them belongs to one without a name, which counts as called."""

    def __init__(self, path: Path) -> None:
        self.file, self.module = path.relative_to(ROOT).as_posix(), dotted(path)
        self.tree = ast.parse(path.read_text(encoding="utf-8"))
        self._imported = dict(self._imports())

    def _imports(self) -> Iterator[tuple[str, Use]]:
        for node in ast.walk(self.tree):
            if isinstance(node, ast.ImportFrom):
                yield from ((one.asname or one.name, (node.module or "", one.name)) for one in node.names)

    def found(self) -> Iterator[Definition]:
        """All of them."""
        yield from self._inside(self.tree, "", True)

    def _inside(self, node: ast.AST, name: str, called: bool) -> Iterator[Definition]:
        uses, left = set[Use](), list(ast.iter_child_nodes(node))
        framed = isinstance(node, ast.ClassDef) and any(self._frames(base) for base in node.bases)
        while left:
            inner = left.pop()
            if isinstance(inner, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
                decorated = any(not self._plain(one) for one in inner.decorator_list)
                yield from self._inside(inner, inner.name, framed or decorated)
            elif isinstance(node, ast.Module) and (names := _assigned(inner)):
                own = frozenset(use for one in ast.walk(inner) for use in self._uses(one))
                yield from (Definition(self.module, self.file, one, False, own) for one in names)
            else:
                uses.update(self._uses(inner))
                left += ast.iter_child_nodes(inner)
        yield Definition(self.module, self.file, name, called, frozenset(uses))

    def _frames(self, base: ast.expr) -> bool:
        """Whether a base is a library's that calls methods by their names."""
        if isinstance(base, ast.Attribute):
            return True
        if not isinstance(base, ast.Name) or base.id in OWN_BASES:
            return False
        module, _ = self._imported.get(base.id, (self.module, ""))
        return not module.startswith("kojimon")

    @staticmethod
    def _plain(decorator: ast.expr) -> bool:
        """Whether a decorator takes what it decorates nowhere."""
        return ast.unparse(decorator) in {"property", "staticmethod", "classmethod", "contextmanager", "cache"}

    def _uses(self, node: ast.AST) -> Iterator[Use]:
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield self._imported.get(node.id, (self.module, node.id))
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
            yield ANYWHERE, node.attr
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.isidentifier():
            yield ANYWHERE, node.value


def dotted(path: Path) -> str:
    """The name by which a file is imported."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def _assigned(node: ast.AST) -> list[str]:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return [one.id for one in targets if isinstance(one, ast.Name)]


def unused(found: Iterable[Definition], uses: set[Use]) -> list[Definition]:
    """Those that nothing used needs.

    Args:
        uses: what is used besides, by pages and entry points.
    """
    waiting, names = list(found), set(uses)
    while fresh := [one for one in waiting if _is_used(one, names)]:
        waiting = [one for one in waiting if not _is_used(one, names)]
        names = names.union(*(one.uses for one in fresh))
    return waiting


def _is_used(one: Definition, names: set[Use]) -> bool:
    by_name = not one.name or one.called or CALLED_BY_NAME.fullmatch(one.name) is not None
    return by_name or (one.module, one.name) in names or (ANYWHERE, one.name) in names


def by_templates() -> set[Use]:
    """Every word of the templates, which name attributes and functions, and what the scripts of deploy/ import."""
    texts = (path.read_text(encoding="utf-8") for path in (ROOT / "kojimon").rglob("*.html"))
    scripts = (path.read_text(encoding="utf-8") for path in (ROOT / "deploy").glob("*.sh"))
    imported = {(ANYWHERE, word) for text in scripts for word in re.findall(r"from kojimon\S* import (\w+)", text)}
    return imported | {(ANYWHERE, word) for text in texts for word in re.findall(r"\w+", text)}


def test_every_definition_is_used() -> None:
    found = unused((one for path in SOURCES for one in Module(path).found()), by_templates())
    assert [f"{one.file}: {one.name}" for one in found] == []


def test_every_module_is_imported_or_run() -> None:
    trees = {dotted(path): ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES}
    needed = {f"kojimon.cli.{target.partition(':')[0]}" for target, _ in COMMANDS.values()}
    for name, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                needed |= {node.module or "", *(f"{node.module}.{one.name}" for one in node.names)}
            elif isinstance(node, ast.Import):
                needed |= {one.name for one in node.names}
            elif isinstance(node, ast.If) and "__main__" in ast.unparse(node.test):
                needed.add(name)
    packages = {dotted(path) for path in SOURCES if path.name == "__init__.py"}
    assert sorted(set(trees) - needed - packages - {"kojimon.__main__"}) == []


def test_what_only_unused_things_use_is_unused() -> None:
    def made(name: str, *uses: str) -> Definition:
        return Definition("m", "m.py", name, False, frozenset(("m", use) for use in uses))

    code = [made("", "a"), made("a", "b"), made("b"), made("c", "d"), made("d", "c", "a")]
    assert [one.name for one in unused(code, set())] == ["c", "d"]
    assert unused(code, {(ANYWHERE, "d")}) == []
