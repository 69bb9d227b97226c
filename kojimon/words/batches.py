"""A batch in a list: how it ended, and how long it grew. Pure."""

from __future__ import annotations

from typing import Final, Protocol

ENDINGS: Final = {"harvest": "harvested", "discard": "thrown away", "": "open"}


class Row(Protocol):
    """What is wanted of a batch; engine times, None before the spores and before its end."""

    @property
    def hour0_t_ms(self) -> int | None: ...

    @property
    def ended_t_ms(self) -> int | None: ...


def hours_of(row: Row, now_ms: int) -> str:
    """Hours since the spores, to its end where it has one; "" before them."""
    if row.hour0_t_ms is None:
        return ""
    return f"{((now_ms if row.ended_t_ms is None else row.ended_t_ms) - row.hour0_t_ms) / 3_600_000:.1f}"
