"""Words that were dropped do not come back where a person reads: in no text of program, page, README, schedule.

Each with the word that is said instead. Searched are the texts that are shown (docstrings only where a command's help
is made of them), not comments and names; what is put together from pieces is looked for as it comes out.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest

from kojimon.words import alarms as alarm_words
from kojimon.words import status
from kojimon.words.speech import Speech, chances
from tests.parts.statedoc import box, document, hot_alarm

ROOT: Final = Path(__file__).parents[2]
DROPPED: Final = {
    r"\bno noise\b": "silence, silenced until",
    r"\boff for repair|it is mended\b": "out of service, put back in service",
    r"\bit is dealt with\b": "done: I have fixed it",
    r"\bheld back\b|\bhands are in\b": "held while you work",
    r"\bless bad\b": "down to the upper limit",
    r"\bmay be done from now|^wanted now\b|\bpassed undone\b": "you can now, due now, missed",
    r"\bsay when you did\b": "enter when you did",
    r"\b(is|are) wanted[;,.]|, wanted (?!`)": "expected",
    r"\bnobody is watching\b|\bno daemon runs\b|\bnobody answers\b": "kojimon is not running, no contact",
    r"\bmachine('s)?\b(?! process)": "computer",
    r"\bsigns? of life\b": "heartbeat",
    r"\bgot (you|somebody) up\b|\bgets you up\b": "wakes you",
    r"\bmirror behind\b|\bgets? out again\b|\bdoes not get out\b": "copy server behind, not sent",
    r"\(last will\)|its device's last will": "dropped off the network",
    r"\bcannot be seen\b": "no reading from the koji",
    r"\blikely range\b|\b\d of 10 |\bsleep until\b": "9 chances in 10; nothing is likely to need you before",
    r"\bwithout a hand|\bno hand (is )?needed\b|\bif nobody touches\b": "nothing is likely to need you; if left alone",
    r"\bwho is there\b|^come in$|\bsay who you are\b|\bleave this page\b": "sign in, sign out",
    r"\bcall me now\b|\bi take it in the hand\b|^before the night\b": "send a test alarm, night check",
    r"\blay (the ticked|side by side)\b": "align, compare",
    r"\bits warmth was worth\b": "thermal time",
    r"\bgets ahead\b": "unwanted microbes gain",
    r"\bwritten down\b|\bwrite it down\b|\bstands in the journal\b": "saved",
    r"\botherwise \u2026": "other time or details",
}
SOURCES: Final = (
    "cli", "words",
    "notify", "web", "review", "curve", "settings", "schedule", "document", "planner", "mash", "forecast",
)  # fmt: skip


def literals(path: Path) -> Iterator[str]:
    """The texts of a Python file, a command's help among them, other docstrings not."""
    tree = ast.parse(path.read_text("utf-8"))
    silent = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            helps = isinstance(node, ast.FunctionDef) and node.decorator_list and "commands" in path.parts
            for part in node.body:
                if isinstance(part, ast.Expr) and isinstance(part.value, ast.Constant) and not helps:
                    silent.add(id(part.value))
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.value


@cache
def shown() -> dict[str, str]:
    """What a person may read, by path."""
    found = {}
    for room in SOURCES:
        top = ROOT / "kojimon" / room
        for path in sorted(top.rglob("*.py")) if top.is_dir() else [top.with_suffix(".py")]:
            found[str(path.relative_to(ROOT))] = "\n".join(literals(path))
        for path in [*top.rglob("*.html"), *top.rglob("page.js")]:
            text = path.read_text("utf-8")
            found[str(path.relative_to(ROOT))] = re.sub(r"<[^>]*>|\{%.*?%\}|^\s*//.*$", "\n", text, flags=re.M)
    for path in [ROOT / "README.md", *(ROOT / "config").rglob("*.yaml")]:
        found[str(path.relative_to(ROOT))] = re.sub(r"\s+", " ", path.read_text("utf-8"))
    return found


def test_what_is_searched_is_there() -> None:
    texts = shown()
    assert len(texts) > 200
    assert "Sign in" in texts["kojimon/web/page/templates/enter.html"]
    assert "See alarms, acknowledge them" in texts["kojimon/cli/commands/alarms.py"], "help is read too"


@pytest.mark.parametrize("pattern", DROPPED)
def test_a_dropped_word_is_not_said(pattern: str) -> None:
    found = [
        f"{path}: ...{text[max(0, hit.start() - 40) : hit.end() + 40]!r}"
        for path, text in shown().items()
        for hit in re.finditer(pattern, text, re.IGNORECASE | re.MULTILINE)
    ]
    assert not found, f"say instead: {DROPPED[pattern]}\n" + "\n".join(found)


def test_what_is_put_together_reads_as_it_should() -> None:
    """A limit stands in brackets behind its value, a chance says what it is."""
    hot = box(alarms=(hot_alarm(),))
    line = status.first_line(hot.alarms[0], hot, status.speech_of(document(hot)), document(hot).t_ms)
    assert re.match(r"Top tray \d+ °F \((limit|was over) \d+\)", line), line
    assert (chances(9), chances(1)) == ("9 chances in 10", "1 chance in 10")
    assert alarm_words.subject(hot.alarms[0], Speech()) == "Top tray too warm"
