"""One stream to the server: readings, or events. Holds its cursor, and what is sent at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from kojimon import logs
from kojimon.journal.writing.writer import Writer
from kojimon.mirror.answers import Answer, Meaning, meaning
from kojimon.mirror.feed import Parcel, Point

POINTS_MOST: Final = 1000
LOOKED_AT: Final = 20
"""So many rows or events are looked at for one that makes a point."""

log = logs.get("mirror")

Fetch = Callable[[int, int], Parcel]
Ask = Callable[[tuple[Point, ...]], Answer]


class Stream:
    """See the module text.

    Args:
        sink: name of its cursor in the journal.
        fetch: gives the next parcel after a number, at most so many points.
        cursor: the number up to which the server has everything.
        writer: keeps the cursor and what was set aside.
    """

    def __init__(self, sink: str, fetch: Fetch, cursor: int, writer: Writer) -> None:
        self.sink, self.cursor, self.saved = sink, cursor, cursor
        self.size = POINTS_MOST
        self.sent = self.set_aside = self.expired = 0
        self._fetch, self._writer = fetch, writer

    def next(self) -> Parcel:
        """The next parcel. One without points moves the cursor by itself."""
        parcel = self._fetch(self.cursor, self.size)
        if not parcel.points:
            self.cursor = max(self.cursor, parcel.last_no)
        return parcel

    def stored(self, parcel: Parcel) -> None:
        """The server has it."""
        self.cursor = parcel.last_no
        self.sent += len(parcel.points)
        self.size = min(POINTS_MOST, self.size * 2)

    def smaller(self, parcel: Parcel, answer: Answer) -> None:
        """Halves what is sent until the one line stands alone that the server will not have; that one is set aside."""
        if len(parcel.points) > 1:
            self.size = len(parcel.points) // 2
            return
        self._put_aside(parcel.points[0].no, f"{answer.status} {answer.text}")
        self.set_aside += 1
        self.cursor = parcel.last_no

    def past_retention(self, last_no: int, answer: Answer, ask: Ask) -> Answer | None:
        """Finds from where on the server takes points, by halving, and goes on there; what lies before is set aside.

        Points lie in the order of their time, so one question says on which side of the edge it lies. A question that
        is answered well is a point stored, ahead of its turn and the same when it comes.

        Args:
            last_no: the newest number there is; answer: the refusal.

        Returns:
            An answer that says something else than kept or too old: the caller goes on with that; else None.
        """
        refused_no, taken_no = self.cursor, last_no + 1
        while taken_no - refused_no > 1:
            middle = (refused_no + taken_no) // 2
            points = self._fetch(middle - 1, LOOKED_AT).points
            if not points or points[0].no >= taken_no:
                taken_no = middle
                continue
            said = ask(points[:1])
            found = meaning(said)
            if found is Meaning.EXPIRED:
                refused_no = points[0].no
            elif found is Meaning.STORED:
                taken_no = middle
            else:
                return said
        if refused_no > self.cursor:
            text = f"everything from {self.cursor + 1} on is older than the bucket keeps: {answer.status} {answer.text}"
            self._put_aside(refused_no, text)
            self.expired += refused_no - self.cursor
            self.cursor = refused_no
        return None

    def _put_aside(self, no: int, text: str) -> None:
        def keep(db: Any) -> None:
            db.execute("INSERT OR REPLACE INTO quarantine VALUES (?, ?, ?)", (self.sink, no, text))
            db.execute("INSERT OR REPLACE INTO sink VALUES (?, ?)", (self.sink, no))

        self._writer.run(keep)
        self.saved = no
        log.warning("%s %d is refused by the mirror's server and set aside: %s", self.sink, no, text)
