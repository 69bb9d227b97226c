"""Which tray a probe was in when: a probe moved in mid-batch is told as one curve a tray. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from kojimon.contract.events import ProbeMoved
from kojimon.journal.records import Placing
from kojimon.model import Event
from kojimon.review.measure.minutes import Minute

BEGINNING = -(1 << 62)


class Stay(NamedTuple):
    """Where a probe was from a moment on, engine ms."""

    from_ms: int
    site: Placing


Stays = Mapping[int, tuple[Stay, ...]]
"""By number of each probe that was moved, in order of time."""


def stays_of(sites: Mapping[int, Placing], names: Mapping[int, str], events: Sequence[Event]) -> Stays:
    """The stays of the probes that were moved.

    Args:
        sites: where each probe was at the end, by number.
        names: by number.
        events: of the batch, in order; what its end takes back is no move.
    """
    numbers = {names[no]: no for no in sites}
    found: dict[int, tuple[Stay, ...]] = {}
    for event in events:
        no = numbers.get(event.key)
        what = event.what
        if not isinstance(what, ProbeMoved) or what.ended or no is None:
            continue
        before = sites[no]._replace(tray=what.before)
        known = found.get(no, (Stay(BEGINNING, before),))
        found[no] = (*known, Stay(event.t_ms, before._replace(tray=what.tray)))
    return found


def seats(sites: Mapping[int, Placing], stays: Stays) -> list[tuple[int, Placing]]:
    """Every probe and tray in which it was, each once: what is a curve of its own."""
    found = [(no, stay.site) for no, own in stays.items() for stay in own]
    return list(dict.fromkeys([*found, *((no, site) for no, site in sites.items() if no not in stays)]))


def site_at(stays: Sequence[Stay], t_ms: int) -> Placing:
    """Where a probe was at a moment."""
    return stays[bisect_right(stays, t_ms, key=lambda stay: stay.from_ms) - 1].site


def minutes_in(minutes: Sequence[Minute], stays: Sequence[Stay], site: Placing) -> list[Minute]:
    """The minutes in which a probe was there, by when each began."""
    return [one for one in minutes if site_at(stays, one.first_ms) == site]
