"""Tables in words, ready for a page, a file or a terminal."""

from __future__ import annotations

from msgspec import Struct


class Row(Struct, frozen=True):
    """A line of a table: what, a text a column, what it means."""

    label: str
    cells: tuple[str, ...]
    note: str = ""


class Table(Struct, frozen=True):
    """A table in words: `heads` are the columns after the first; `expert`: for who looks after alarms and forecasts."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    note: str = ""
    expert: bool = False
