"""Probe numbers: given once by name, never again to another."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence

from kojimon.errors import JournalError
from kojimon.journal.records import Placed


class NumbersClash(JournalError):
    """The journal gives a probe another number than the one used in memory while it could not be read."""


def register(
    db: sqlite3.Connection, names: Sequence[str], placed: Sequence[Placed], forced: Mapping[str, int] | None = None
) -> dict[str, int]:
    """Gives every name its number, inside an open transaction; notes where the probes sit.

    Args:
        forced: numbers already in use, given in memory while the journal could not be written.

    Raises NumbersClash when the journal disagrees with `forced`.
    """
    known = {str(name): int(no) for no, name in db.execute("SELECT no, name FROM probe").fetchall()}
    numbers = assign(names, known) if forced is None else dict(forced)
    for name, no in numbers.items():
        if known.get(name, no) != no or any(other != name and known[other] == no for other in known):
            raise NumbersClash(f"probe {name} has another number in the journal than in memory")
        db.execute("INSERT INTO probe VALUES (?, ?) ON CONFLICT (no) DO NOTHING", (no, name))
    _place(db, numbers, placed)
    return numbers


def assign(names: Sequence[str], known: Mapping[str, int]) -> dict[str, int]:
    """Numbers by name: known ones stay, new names get the next free ones in their order."""
    numbers: dict[str, int] = {}
    free = max(known.values(), default=0) + 1
    for name in dict.fromkeys(names):
        if name in known:
            numbers[name] = known[name]
        else:
            numbers[name], free = free, free + 1
    return numbers


def _place(db: sqlite3.Connection, numbers: Mapping[str, int], placed: Sequence[Placed]) -> None:
    from_seq = int(db.execute("SELECT last_seq FROM progress").fetchone()[0]) + 1
    for probe in placed:
        wanted = (probe.incubator, str(probe.place), probe.tray, str(probe.quantity))
        last = db.execute(
            "SELECT incubator, place, tray, quantity FROM placing WHERE probe = ? ORDER BY from_seq DESC LIMIT 1",
            (numbers[probe.name],),
        ).fetchone()
        if last != wanted:
            row = (numbers[probe.name], from_seq if last else 0, *wanted)
            db.execute("INSERT OR REPLACE INTO placing VALUES (?, ?, ?, ?, ?, ?)", row)
