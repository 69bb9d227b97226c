"""Koji that nobody watches in its hot hours: no limit of its own can call then, so somebody is told, once.

Told and never woken for: most probes that lie beside the koji lie there since a mixing, and healthy koji that was
spread thin reads as they do. Where a probe falls silent, which no koji does, its silence wakes (engine.silence).
"""

from __future__ import annotations

from typing import Final

from kojimon.contract.events import Warmth
from kojimon.engine.moments import Known
from kojimon.engine.turn import Turn
from kojimon.model import Priority

WAIT_MS: Final = 7_200_000
"""So long after it was told that the probe may be out of the koji; by then koji that warms itself shows it (chosen)."""


def told_next_ms(turn: Turn, incubator: str, known: Known) -> int | None:
    """When it is to be told: from the hour by which most koji warms itself until the harvest opens; None for never."""
    usual_ms, lately = known.usual_ms(), turn.of_late(incubator)
    opens_ms = known.harvest_ms()[0]
    since_ms, wait_ms, warmed_ms = 0, 0, known.warmed_ms()
    if beds := turn.compiled.probes_at(incubator, "bed", "temperature"):
        # Of koji that never warmed itself its lack is told, wherever its probe is.
        out = warmed_ms is not None or any(no in turn.doubts for no in beds)
        since_ms, wait_ms = lately.unwatched_ms if out else -1, WAIT_MS
    if usual_ms is None or since_ms < 0 or lately.unseen_ms >= since_ms:
        return None
    due_ms = max(usual_ms, max(since_ms, warmed_ms or 0) + wait_ms)
    return due_ms if opens_ms is None or due_ms < opens_ms else None


def tell(turn: Turn, incubator: str, known: Known) -> None:
    """Says it."""
    due_ms = told_next_ms(turn, incubator, known)
    if due_ms is None or due_ms > turn.t_ms:
        return
    turn.happened(incubator, unseen_ms=turn.t_ms)
    by_hand = [turn.read[no].at_ms for no in turn.compiled.known_at(incubator, "bed", "temperature") if no in turn.read]
    read = max(by_hand, default=0) > (known.hour0_ms() or 0) + WAIT_MS  # not as the spores went on, or before
    probe = turn.compiled.probes_at(incubator, "bed", "temperature")
    why = "probe-out" if probe else "by-hand" if read else "no-probe"
    turn.emit(Warmth(doubt=why), incubator, "unseen", Priority.TELL)
