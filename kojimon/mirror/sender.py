"""The mirror's thread: takes parcels from the journal, has them sent, moves the cursor. It may lag, never leads."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from typing import Any, Final, Protocol

from kojimon import clock, logs
from kojimon.errors import JournalError
from kojimon.journal.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writer import Writer
from kojimon.mirror.answers import Answer, Meaning, advice, meaning
from kojimon.mirror.feed import Feed, Parcel, Point
from kojimon.mirror.process import Process
from kojimon.settings.spec import MirrorSettings

SINK: Final = "mirror"
POINTS_MOST: Final = 1000
PAUSE_S: Final = 0.5
"""Between parcels of a backlog: a week of it must not starve the daemon."""
BACKOFF_FIRST_S: Final = 1.0
BACKOFF_MOST_S: Final = 300.0
FAULT_RETRY_S: Final = 180.0
SAVE_EVERY_S: Final = 60.0
LOOK_EVERY_S: Final = 60.0
TOLD_AFTER_S: Final = 60.0
"""An outage is worth a word after so long."""
REQUEST_S: Final = 10.0

log = logs.get("mirror")
Tell = Callable[[str, bool, str], None]


class Asked(Protocol):
    """Who makes the requests (`process.Process`)."""

    started: int

    def ask(self, points: Any) -> Answer:
        """Sends points in one request."""

    def end(self) -> None:
        """Ends it, whatever it is doing."""


class Mirror:
    """See the module text. A part of the daemon: start, stop, committed, facts.

    Args:
        settings: where to.
        token: the secret itself.
        site: this site's name.
        open_reader: opens the journal for reading; may raise JournalError while it cannot be read.
        writer: keeps the cursor.
        tell: the daemon's health, called as ("mirror", ok, text).
        process: who makes the requests; None for a child process.
        pause_s: real seconds between parcels of a backlog.
    """

    name = SINK

    def __init__(
        self,
        settings: MirrorSettings,
        token: str,
        site: str,
        open_reader: Callable[[], Reader],
        writer: Writer,
        tell: Tell,
        *,
        process: Asked | None = None,
        pause_s: float = PAUSE_S,
    ) -> None:
        address = {
            "url": settings.url, "organisation": settings.organisation, "bucket": settings.bucket, "token": token,
            "timeout_s": REQUEST_S,
        }  # fmt: skip
        self._process: Asked = process or Process(address)
        self._open_reader, self._writer, self._tell, self._site = open_reader, writer, tell, site
        self._pause_s = pause_s
        self._feed: Feed | None = None
        self._reader: Reader | None = None
        self._cursor: int | None = None
        self._saved = 0
        self._saved_s = self._well_s = 0.0
        self._size, self._backoff_s = POINTS_MOST, BACKOFF_FIRST_S
        self._sent = self._requests = self._set_aside = 0
        self._trouble = self._waiting = ""
        self._told: bool | None = None
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="mirror", daemon=True)

    # Doors, for any thread.

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ends thread and child, whatever they are doing; keeps the cursor. Returns whether it ended in time."""
        self._stopping = True
        self._wake.set()
        self._thread.join(timeout_s / 2)
        self._process.end()
        self._thread.join(timeout_s / 2)
        self._save()
        return not self._thread.is_alive()

    def committed(self, chunk: Chunk, _present: object = None) -> None:
        """New rows are in the journal."""
        if chunk.readings or chunk.inputs:
            self._wake.set()

    def facts(self) -> dict[str, Any]:
        """Figures for status."""
        return {
            "cursor": self._cursor, "sent": self._sent, "requests": self._requests, "set_aside": self._set_aside,
            "started": self._process.started, "trouble": self._trouble, "waiting": self._waiting,
        }  # fmt: skip

    # The thread.

    def _run(self) -> None:
        self._well_s = clock.real_s()
        while not self._stopping:
            self._wake.clear()
            try:
                wait_s = self._turn()
            except JournalError as problem:
                log.warning("the mirror waits for the journal: %s", problem)
                wait_s = LOOK_EVERY_S
            except Exception:
                log.exception("the mirror goes on after a mistake")
                wait_s = LOOK_EVERY_S
            self._pause(wait_s)

    def _pause(self, wait_s: float | None) -> None:
        """Lets time pass; None is until the next commit, which otherwise does not shorten a pause."""
        if wait_s is None:
            self._wake.wait(LOOK_EVERY_S)
            return
        end_s = clock.real_s() + wait_s
        while not self._stopping and (left_s := end_s - clock.real_s()) > 0:
            self._wake.wait(left_s)
            if not self._stopping and self._wake.is_set():
                self._wake.clear()

    def _turn(self) -> float | None:
        """Sends one parcel. Returns how long to wait before the next, None for until the next commit."""
        parcel = self._next()
        self._waiting = parcel.waiting
        if not parcel.points:
            self._save(SAVE_EVERY_S)
            return None
        answer = self._process.ask(parcel.points)
        if self._stopping and answer.status == 0:
            return 0.0
        self._requests += 1
        found = meaning(answer)
        if found is Meaning.STORED:
            return self._stored(parcel)
        if found in (Meaning.TOO_LARGE, Meaning.POISON):
            return self._smaller(parcel, answer)
        return self._later(answer, found)

    def _next(self) -> Parcel:
        if self._feed is None or self._cursor is None:
            self._reader = self._open_reader()
            self._cursor = self._saved = self._reader.cursor(SINK)
            self._feed = Feed(self._reader, self._site)
        return self._feed.next(self._cursor, self._size)

    def _stored(self, parcel: Parcel) -> float:
        self._cursor = parcel.last_seq
        self._sent += len(parcel.points)
        self._size, self._backoff_s = min(POINTS_MOST, self._size * 2), BACKOFF_FIRST_S
        self._well_s, self._trouble = clock.real_s(), ""
        self._say(True, "the mirror takes rows again")
        self._save(SAVE_EVERY_S)
        return self._pause_s

    def _smaller(self, parcel: Parcel, answer: Answer) -> float:
        """Halves what is sent until the one line stands alone that the server will not have; that one is set aside."""
        if len(parcel.points) > 1:
            self._size = len(parcel.points) // 2
            return 0.0
        self._put_aside(parcel.points[0], answer)
        self._cursor = parcel.last_seq
        return 0.0

    def _put_aside(self, point: Point, answer: Answer) -> None:
        text = f"{answer.status} {answer.text}"

        def keep(db: Any) -> None:
            db.execute("INSERT OR REPLACE INTO quarantine VALUES (?, ?, ?)", (SINK, point.seq, text))
            db.execute("INSERT OR REPLACE INTO sink VALUES (?, ?)", (SINK, point.seq))

        self._writer.run(keep)
        self._saved = point.seq
        self._set_aside += 1
        log.warning("row %d is refused by the mirror's server and set aside: %s", point.seq, text)

    def _later(self, answer: Answer, found: Meaning) -> float:
        self._trouble = advice(answer)
        if found is Meaning.FAULT:
            self._say(False, self._trouble)
            return FAULT_RETRY_S
        if clock.real_s() - self._well_s >= TOLD_AFTER_S:
            self._say(False, self._trouble)
        wait_s = max(answer.retry_after_s, self._backoff_s * random.uniform(0.5, 1.0))
        self._backoff_s = min(BACKOFF_MOST_S, self._backoff_s * 2)
        return min(wait_s, BACKOFF_MOST_S)

    def _say(self, ok: bool, text: str) -> None:
        """Tells a change, and how it is at the first answer: an alarm may stand from before a restart."""
        if self._told != ok:
            self._tell(SINK, ok, text)
        self._told = ok

    def _save(self, every_s: float = 0.0) -> None:
        """Hands the cursor to the writer; it rides along with the next commit. Lost, some points are sent again."""
        now_s = clock.real_s()
        if self._cursor is not None and self._cursor != self._saved and now_s - self._saved_s >= every_s:
            self._writer.submit(Chunk(cursors={SINK: self._cursor}))
            self._saved, self._saved_s = self._cursor, now_s
