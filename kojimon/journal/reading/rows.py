"""How readings and inputs lie beside each other in a journal, and where an engine time lies among them."""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Sequence
from typing import Any

from kojimon.model import InputRow, ReadingRow

Row = ReadingRow | InputRow
"""Readings come as plain tuples in the order of ReadingRow."""


def merged(readings: list[Any], inputs: Sequence[InputRow]) -> list[Row]:
    """Readings with the few inputs put in at their places."""
    found: list[Row] = []
    start = 0
    for row in inputs:
        end = bisect_left(readings, (row.seq,))
        found += readings[start:end]
        found.append(row)
        start = end
    return found + readings[start:]


def position(db: sqlite3.Connection, t_ms: int) -> int:
    """Readings of an engine time and later have the seq returned or a higher one, earlier ones a lower.

    Engine time never falls along seq, so halving finds it without an index.
    """
    # Two queries: SQLite finds a lone min or max at the end of the tree, but reads the whole table for both at once.
    (low,) = db.execute("SELECT coalesce(min(seq), 1) FROM reading").fetchone()
    (high,) = db.execute("SELECT coalesce(max(seq), 0) + 1 FROM reading").fetchone()
    while low < high:
        middle = (low + high) // 2
        row = db.execute("SELECT seq, t_ms FROM reading WHERE seq >= ? ORDER BY seq LIMIT 1", (middle,)).fetchone()
        if row is None or row[1] >= t_ms:
            high = middle
        else:
            low = row[0] + 1
    return int(low)
