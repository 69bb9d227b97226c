"""What was read by hand in a batch, in a cook's words: a sentence and a table. Pure."""

from __future__ import annotations

from typing import Final

from kojimon.review.counted import Review
from kojimon.review.tell.tables import Row, Table
from kojimon.words import speech as say
from kojimon.words.speech import Speech

LISTED_MOST: Final = 40


def sentence(review: Review, speech: Speech) -> str:
    """That no probe measured the koji, and how often it was read by hand; "" where a probe did."""
    if review.figures.trays:
        return ""
    reads = [read for read in review.case.story.reads if read.place == "bed"]
    if not reads:
        return "No probe measured the koji, and nothing was read by hand."
    top = max(reads, key=lambda read: read.value)
    hour = review.case.hours.hour(top.at_ms)
    times = "once" if len(reads) == 1 else f"{len(reads)} times"
    hottest = f"{speech.value('temperature', top.value)} at hour {hour:.1f}"
    return f"No probe measured the koji. It was read by hand {times}, hottest {hottest}; between, nobody knows."


def table(review: Review, speech: Speech) -> Table | None:
    """Every reading by hand with its hour; None where there was none."""
    reads = review.case.story.reads
    rows = [
        Row(f"hour {review.case.hours.hour(read.at_ms):.1f}",
            (say.spot(read.place, read.quantity, read.tray), speech.value(read.quantity, read.value)))
        for read in reads[-LISTED_MOST:]
    ]  # fmt: skip
    note = f"the last {LISTED_MOST} of {len(reads)}" if len(reads) > LISTED_MOST else ""
    return Table("Read by hand", ("where", "value"), tuple(rows), note) if rows else None
