"""What commands print: sentences, tables that turn into lists on a phone, JSON, progress bars.

Width, colour and NO_COLOR are the business of rich; nothing here needs a terminal.
"""

from __future__ import annotations

import codecs
import json
import os
import re
import shlex
import sys
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click
import msgspec

if TYPE_CHECKING:
    from rich.console import Console

BOUND = "\u00a0"
"""Holds the words of a command together while a line is broken; a blank again once it is printed."""
NARROW = 64
"""Below this width a table is printed as a list: one heading a row, one line a value."""
WIDEST = 100
STYLES = {"good": "green", "look": "yellow", "wrong": "bold red", "plain": "", "quiet": "dim", "head": "bold"}


SPELT = {
    "\u00b0": "", "\u2026": "..", "\u2013": "-", "\u2014": "-", "\u2019": "'", "\u2018": "'", "\u201c": '"',
    "\u201d": '"', "\u00d7": "x", "\u00b7": ".", "\u2082": "2", "\u00b2": "2", "\u00b3": "3", "\u2192": "->",
}  # fmt: skip
"""Letters a plain terminal has not, and what stands for them; 31.5 °C becomes 31.5 C."""


def plain_letters(*streams: Any) -> None:
    """Lets streams that cannot show a letter write a plain one in its place instead of failing.

    A terminal in the plain C locale shows ASCII only, whatever Python makes of it (PEP 540 calls it UTF-8).
    """
    codecs.register_error("spelt", _spelt)
    ascii_only = os.environ.get("LC_ALL", os.environ.get("LC_CTYPE", "")) in ("C", "POSIX")
    for stream in streams:
        change = {"encoding": "ascii"} if ascii_only and stream.isatty() else {}
        getattr(stream, "reconfigure", lambda **_: None)(errors="spelt", **change)


def _spelt(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    letters = error.object[error.start : error.end]
    plain = (SPELT.get(one, unicodedata.normalize("NFKD", one).encode("ascii", "ignore").decode() or "?")
             for one in letters)  # fmt: skip
    return "".join(plain), error.end


class _Way:
    """How a command is typed here, and where print goes for a while: through a bar that is shown, or onto one page."""

    head = "kojimon"
    hint = re.compile("(?!)")
    live: Console | None = None


def typed(program: str, commands: Iterable[str]) -> None:
    """Says how the program is called and which commands it has, so that hints can be pasted as they are."""
    _Way.head = program
    _Way.hint = re.compile(rf"\bkojimon (?=(?:{'|'.join(commands)}|--help)\b)")


def with_settings(file: str) -> None:
    """Says that this run was given a settings file: hints name it too."""
    _Way.head = f"{_Way.head.partition(' --config ')[0]} --config {shlex.quote(file)}"


def pasteable(text: str) -> str:
    """The text with its commands as they have to be typed: with the path of the program, and with its settings file.

    A command that ends a sentence (`...: kojimon run`) is bound together, so that no line breaks it.
    """
    text = _Way.hint.sub(lambda _: f"{_Way.head} ", text)
    ends = rf"(?<=: ){re.escape(_Way.head)} [^.:;,()`\n]*"
    return re.sub(ends, lambda found: found[0].replace(" ", BOUND), text)


def console(error: bool = False) -> Console:
    """A console on standard output (or error), as wide as the terminal but no wider than 100."""
    from rich.console import Console

    if _Way.live is not None and (error or sys.stdout.isatty()):
        return _Way.live
    made = Console(stderr=error, highlight=False, markup=False, emoji=False)
    made.width = min(made.width, WIDEST)
    return made


def say(text: str, tone: str = "plain", error: bool = False, indent: int = 0) -> None:
    """One paragraph, wrapped to the width between words. A path or a command's long word stays whole, to be pasted."""
    from rich.text import Text

    target, margin = console(error), " " * indent
    for line in pasteable(text).split("\n"):
        wrapped = textwrap.fill(line, target.width, initial_indent=margin, subsequent_indent=margin,
                                break_long_words=False, break_on_hyphens=False)  # fmt: skip
        target.print(Text(wrapped.replace(BOUND, " "), style=STYLES[tone]), soft_wrap=True)


def table(
    columns: Sequence[str], rows: Iterable[Sequence[str]], tones: Sequence[str] | None = None, title: int = 0
) -> None:
    """A table, or on a narrow terminal a list.

    Args:
        columns: headings; a `>` in front sets the column to the right.
        rows: one text a column.
        tones: one tone a row.
        title: the list's heading of each row is made of the columns up to this one.
    """
    target, cells = console(), [[unbroken(cell) for cell in row] for row in rows]
    heads = [column.removeprefix(">") for column in columns]
    marks = list(tones or ["plain"] * len(cells))
    if target.width < NARROW:
        _as_list(target, heads, cells, marks, title)
        return
    from rich.table import Table

    grid = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for column, head in zip(columns, heads, strict=True):
        grid.add_column(head, justify="right" if column.startswith(">") else "left", overflow="fold")
    for row, mark in zip(cells, marks, strict=True):
        grid.add_row(*row, style=STYLES[mark])
    target.print(grid)


def story(columns: Sequence[str], rows: Sequence[Sequence[str]], tones: Sequence[str]) -> None:
    """A table whose last column is a sentence; on a narrow terminal the columns before it stand above it."""
    if console().width >= NARROW:
        table(columns, rows, tones)
        return
    for row, tone in zip(rows, tones, strict=True):
        head = [f"{column.removeprefix('>')} {cell}" if column.startswith(">") else cell
                for column, cell in zip(columns, row[:-1], strict=False) if cell]  # fmt: skip
        say(", ".join(head), "quiet")
        say(row[-1], tone, indent=2)


def _as_list(target: Console, heads: list[str], rows: list[list[str]], tones: list[str], title: int) -> None:
    from rich.padding import Padding
    from rich.text import Text

    for row, tone in zip(rows, tones, strict=True):
        target.print(Text(" ".join(filter(None, row[: title + 1])), style=STYLES[tone] or "bold"))
        for head, cell in zip(heads[title + 1 :], row[title + 1 :], strict=True):
            if cell:
                target.print(Padding(Text(f"{head}: {cell}"), (0, 0, 0, 2)))


def grid(rows: Sequence[Sequence[str]], right: bool = True) -> None:
    """Columns without headings: a name, a value (set to the right), and what else there is."""
    from rich.table import Table

    made = Table.grid(padding=(0, 2 if console().width >= NARROW else 1, 0, 0))
    for number in range(max(len(row) for row in rows)):
        made.add_column(justify="right" if right and number == 1 else "left", overflow="fold")
    for row in rows:
        made.add_row(*row)
    console().print(made)


def unbroken(text: str) -> str:
    """The same as `pasteable` for what is not wrapped."""
    return pasteable(text).replace(BOUND, " ")


@contextmanager
def page() -> Iterator[None]:
    """A fresh screen for what is printed meanwhile; what does not fit is counted, so that the headline stays."""
    made = console()
    if not made.is_terminal:
        yield
        return
    made.begin_capture()
    _Way.live = made
    try:
        yield
    finally:
        _Way.live = None
        lines = made.end_capture().rstrip("\n").split("\n")
        room = max(2, made.height - 1)
        if len(lines) > room:
            lines = [*lines[: room - 1], f"({len(lines) - room + 1} more lines: make the window taller)"]
        made.clear()
        click.echo("\n".join(lines), color=True)


def entry(when: str, text: str, tone: str = "plain") -> None:
    """One line of a running story, its later lines set in under the first; in a log or a pipe never wrapped."""
    text = unbroken(text)
    if not console().is_terminal:
        click.echo(f"{when}  {text}")
        return
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(Text(when, style="dim"), Text(text, style=STYLES[tone]))
    console().print(grid)


def heading(text: str) -> None:
    """A heading with an empty line above it."""
    say(f"\n{text}", "head")


def print_json(data: Any) -> None:
    """Data as indented JSON; where the stream has only plain letters, the others as their numbers (RFC 8259, 7)."""
    text = msgspec.json.format(msgspec.json.encode(data), indent=2).decode()
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        text = json.dumps(json.loads(text), indent=2)
    click.echo(text)


class Bar:
    """A progress bar on standard error; nothing without a terminal. Call it with how much is done so far.

    While it is shown, what else is printed goes above it, through the same console.
    """

    def __init__(self, label: str, total: float | None) -> None:
        self._bar: Any = None
        if not sys.stderr.isatty():
            return
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(bar_width=20), TimeRemainingColumn())
        _Way.live = console(error=True)
        self._bar = Progress(*columns, console=_Way.live, transient=True)
        self._task = self._bar.add_task(label, total=total)
        self._bar.start()

    def __call__(self, done: float) -> None:
        if self._bar is not None:
            self._bar.update(self._task, completed=done)

    def end(self) -> None:
        """Takes the bar away."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = _Way.live = None


@contextmanager
def progress(label: str, total: float | None) -> Iterator[Bar]:
    """A bar while something long goes on.

    Args:
        label: what is going on.
        total: how much there is to do; None where nobody knows.
    """
    bar = Bar(label, total)
    try:
        yield bar
    finally:
        bar.end()
