"""What was read by hand in a place, as the state keeps it: the last, and those of a day before it."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct


class Read(Struct, frozen=True):
    """What was last read by hand in a place, of any age: for showing.

    Attributes:
        judged: it stood in `last_t`, `last_v`. event: number of the event; of what was said at a gate the number of
            the mark's, negative, for it goes with the mark.
        was: the one before, should this be taken back: of a day, READS_KEPT at most.
    """

    at_ms: int
    value: float
    judged: bool = False
    event: int = 0
    was: Read | None = None


READS_KEPT = 24


def reads(read: Read | None) -> Iterator[Read]:
    """A reading and those before it, the latest first."""
    while read is not None:
        yield read
        read = read.was
