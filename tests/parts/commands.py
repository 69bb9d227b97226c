"""Which programs Python and shell files run, read from the files themselves."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

RUNNERS = {"run", "Popen", "check_call", "check_output", "call", "which", "need", "create_subprocess_exec", "make"}
SHELL_ITSELF = """
if then elif else while until do ! { exec fi done esac } for case in . : [ break command cd continue echo eval exit
export
false kill printf pwd read return set shift test trap true type umask unset ulimit wait
"""
OPENS_A_COMMAND = {"if", "then", "elif", "else", "while", "until", "do", "!", "{", "exec", "command"}
TOKEN = re.compile(
    r"""(?P<skip>\\\n|(?<![^\s;(])\#[^\n]*|\d?[<>]+&?[ ]?(?:"[^"]*"|[^\s;|&()]+))"""
    r"""|(?P<end>;;|&&|\|\||[\n;|&])|(?P<open>\()|(?P<close>\))|(?P<space>[ \t]+)"""
    r"""|(?P<word>(?:'[^']*'|"(?:\\.|[^"\\])*"|\\.|\$\(\(.*?\)\)|\$\{[^}]*\}|\$\([^()]*(?:\([^()]*\)[^()]*)*\)|[^\s;|&()'"\\<>])+)""",
    re.VERBOSE | re.DOTALL,
)


def of_shell(text: str) -> set[str]:
    """Names in the place of a command, with functions, words of the shell and what stands in variables left out."""
    found: list[str] = []
    functions: set[str] = set()
    start, last, before, line = True, "", "", 0
    for token in TOKEN.finditer(text):
        kind, said = token.lastgroup, token[0]
        if kind == "word":
            found += _inner(said, f"{before} {last}")
            if start and not re.match(r"\w+=", said) and said not in OPENS_A_COMMAND and said != "-v":
                found.append(said)
                start = False
            before, last = last, said
        elif kind == "open":
            if text[token.end() : token.end() + 1] == ")":
                functions.add(last)
            start = True
        elif kind in ("end", "close"):
            if kind == "close" and not _closes(text, token.start()):
                del found[line:]  # a pattern of `case`
            if said in ("\n", ";;", ")"):
                line = len(found)
            start = True
    return {name for name in found if re.fullmatch(r"[A-Za-z_][\w.+-]*", name)} - functions - set(SHELL_ITSELF.split())


def _inner(word: str, before: str) -> Iterator[str]:
    """Commands in $(...) and in what a shell is given to run."""
    if before in ("sh -c", "bash -c") and word[:1] == "'":
        yield from of_shell(word.strip("'"))
    elif word[:1] != "'":
        for part in re.findall(r"\$\(((?!\()[^()]*(?:\([^()]*\)[^()]*)*)\)", word):
            yield from of_shell(part)


def _closes(text: str, at: int) -> bool:
    line = text[text.rfind("\n", 0, at) + 1 : at]
    return line.count("(") > line.count(")")


def of_python(path: Path) -> set[str]:
    """First words of what a test runs, and the commands in the shell texts it holds."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named: dict[str, list[ast.expr]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            named.setdefault(node.targets[0].id, []).append(node.value)
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and node.args and _name(node.func) in RUNNERS:
            plain = _name(node.func) in ("which", "need") or path.name == "card.py" or path.parent.name == "deploy"
            if plain or not isinstance(node.args[0], ast.Starred):
                found |= set(_firsts(node.args[0], named, plain))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and "set -eu\n" in node.value:
            found |= of_shell(node.value)
    return {name for name in found if not name.startswith(("-", "{"))}


def _name(node: ast.expr) -> str:
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


def _firsts(node: ast.expr, named: dict[str, list[ast.expr]], plain: bool) -> Iterator[str]:
    if isinstance(node, (ast.List, ast.Tuple)) and node.elts:
        yield from _firsts(node.elts[0], named, True)
    elif isinstance(node, ast.Starred):
        yield from _firsts(node.value, named, True)
    elif isinstance(node, ast.BinOp):
        yield from _firsts(node.left, named, plain)
    elif isinstance(node, ast.Name) and node.id in named:
        for value in named[node.id]:
            if isinstance(value, (ast.List, ast.Tuple)):
                yield from _firsts(value, named, plain)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str) and plain and "\n" not in node.value:
        yield Path(node.value).name if node.value.count("/") and "include" not in node.value else node.value
