"""What is measured in a box, line by line, and what is not: the same for page and terminal. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from kojimon.contract.state import Box, Extreme
from kojimon.words import speech as say


class Line(Struct, frozen=True):
    """One value of a place.

    Attributes:
        place, quantity: what of where.
        spot: that in words: `Top tray`, `Box humidity`.
        end: `hottest`, `coldest`, `dampest` or `driest`; `by hand`; "" where there is but one.
        read: the value, None where there is no fresh reading. What was read by hand has its age, however old; beside a
            probe that measures there it is left out once it no longer counts.
    """

    place: str
    quantity: str
    spot: str
    end: str = ""
    read: Extreme | None = None


def measured(box: Box) -> Iterator[Line]:
    """Every place with its value, or with both ends where several probes are there."""
    probed = set[tuple[str, str]]()
    for row in box.places:
        if not row.probes:
            continue
        if row.ends is None or row.ends[0].by_hand:
            yield Line(row.place, row.quantity, say.spot(row.place, row.quantity))
            continue
        probed.add((row.place, row.quantity))
        warm = row.quantity == "temperature"
        names = ("hottest", "coldest") if warm else ("dampest", "driest")
        single = row.ends[0].probe == row.ends[1].probe
        for end, read in [("", row.ends[0])] if single else zip(names, row.ends, strict=True):
            yield Line(row.place, row.quantity, say.spot(row.place, row.quantity, read.tray), end, read)
    for one in box.by_hand:
        if not one.fresh and (one.place, one.quantity) in probed:
            continue
        read = Extreme("", one.tray, one.value, one.age_s, by_hand=True)
        yield Line(one.place, one.quantity, say.spot(one.place, one.quantity, one.tray), "by hand", read)


def unmeasured(box: Box) -> list[str]:
    """What no probe measures while a batch is open: trays as they are called, the koji where it is one."""
    seen = {probe.tray for probe in box.probes if probe.place == "bed"}
    trays = [say.where("bed", tray) for tray in box.trays if tray not in seen] if box.batch else []
    return trays if box.probes or not trays else [*trays, say.where("air")]
