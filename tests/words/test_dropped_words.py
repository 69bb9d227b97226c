"""Words that were dropped do not come back where a person reads: in no text of any room, no script, sample or README,
on no page of a batch in twelve states.

Each with the word that is said instead. Searched are the texts that are shown (docstrings only where a command's help
is made of them), not comments and names; what is put together from pieces is looked for as it comes out.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from functools import cache
from html import unescape
from pathlib import Path
from typing import Final

import pytest

from kojimon.words import alarms as alarm_words
from kojimon.words import status
from kojimon.words.speech import Speech, chances
from tests.browser.twelve import kitchen, states
from tests.parts.statedoc import box, document, hot_alarm
from tests.words.test_never_said import NEVER

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
READ: Final = (".md", ".yaml", ".sh")
NOT_READ: Final = "prove-"
"""Scripts that prove a release, for those who change the code."""


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
    for path in [*(ROOT / "kojimon").rglob("*.py"), *(ROOT / "sim").rglob("*.py")]:
        # A comment of a table's statement is none of its text.
        found[str(path.relative_to(ROOT))] = re.sub(r"^ *--.*$", "", "\n".join(literals(path)), flags=re.M)
    for path in [*(ROOT / "kojimon").rglob("*.html"), *(ROOT / "kojimon").rglob("*.js")]:
        found[str(path.relative_to(ROOT))] = re.sub(r"^\s*//.*$", "\n", plain(path.read_text("utf-8")), flags=re.M)
    for path in [ROOT / "README.md", *(one for top in ("config", "deploy", "sim") for one in (ROOT / top).rglob("*"))]:
        if path.suffix in READ and not path.name.startswith(NOT_READ):
            found[str(path.relative_to(ROOT))] = re.sub(r"\s+", " ", path.read_text("utf-8"))
    return found


def plain(html: str) -> str:
    """The words of a page, without its marks and its template's."""
    return unescape(re.sub(r"<[^>]*>|\{%.*?%\}", "\n", html))


def said(patterns: Mapping[str, str], texts: Mapping[str, str]) -> list[str]:
    """Where a text says what is not to be said, and what is said instead."""
    return [
        f"{path}: ...{text[max(0, hit.start() - 40) : hit.end() + 40]!r}: {patterns[pattern]}"
        for path, text in texts.items() for pattern in patterns
        for hit in re.finditer(pattern, text, re.IGNORECASE | re.MULTILINE)
    ]  # fmt: skip


def test_what_is_searched_is_there() -> None:
    texts = shown()
    assert len(texts) > 450
    assert "Sign in" in texts["kojimon/web/page/templates/enter.html"]
    assert "See alarms, acknowledge them" in texts["kojimon/cli/commands/alarms.py"], "help is read too"


def test_a_dropped_word_is_not_said() -> None:
    assert said(DROPPED, shown()) == []


@pytest.mark.slow(5)  # one batch from its empty box to its review
def test_nor_on_a_page_in_any_state(tmp_path: Path) -> None:
    pages = {}
    with kitchen(tmp_path) as one:
        for name, path in states(one):
            for shown_at in (path, "/step/box/mix", "/harvest/box", "/night", "/batches"):
                got = one.door.get(shown_at)
                if got.status == 200:
                    pages[f"{name} {shown_at}"] = plain(got.text)
    assert len(pages) > 40 and "within limits" in pages["3-quiet /box/box"]
    review = " ".join(next(text for name, text in pages.items() if name.startswith("12-review /batch/")).split())
    assert "No reading from 6 probes" in review, "six that fall silent together are one mark on the curve"
    assert said(DROPPED | NEVER, pages) == []


def test_what_is_put_together_reads_as_it_should() -> None:
    """A limit stands in brackets behind its value, a chance says what it is."""
    hot = box(alarms=(hot_alarm(),))
    line = status.first_line(hot.alarms[0], hot, status.speech_of(document(hot)), document(hot).t_ms)
    assert re.match(r"Top tray \d+ °F \((limit|was over) \d+\)", line), line
    assert (chances(9), chances(1)) == ("9 chances in 10", "1 chance in 10")
    assert alarm_words.subject(hot.alarms[0], Speech()) == "Top tray too warm"
