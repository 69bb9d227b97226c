"""The mirror's thread: takes parcels from the journal, has them sent, moves the cursors. It may lag, never leads.

Nothing waits in memory but one parcel: the journal is the queue. After an outage the newest value of each probe goes
first, then what was missed, oldest first.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Sequence
from typing import Final

from kojimon import clock, logs
from kojimon.contract.health import MirrorHealth
from kojimon.errors import JournalError
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from kojimon.mirror.answers import Answer, Meaning, advice, meaning
from kojimon.mirror.child import Address
from kojimon.mirror.feed import Feed, Parcel, Point
from kojimon.mirror.process import Process
from kojimon.mirror.stream import Stream
from kojimon.model import Event
from kojimon.settings.spec import MirrorSettings

SINK: Final = "mirror"
EVENT_SINK: Final = "mirror-event"
PAUSE_S: Final = 0.5
"""Between parcels of a backlog: a week of it must not starve the daemon."""
BACKOFF_FIRST_S: Final = 1.0
BACKOFF_MOST_S: Final = 300.0
FAULT_RETRY_S: Final = 180.0
SAVE_EVERY_S: Final = 60.0
LOOK_EVERY_S: Final = 60.0
AHEAD_EVERY_S: Final = 10.0
"""While a backlog goes out the newest values go ahead of it so often."""
TOLD_AFTER_S: Final = 60.0
"""An outage is worth a word after so long."""
REQUEST_S: Final = 10.0

log = logs.get("mirror")
Tell = Callable[[str, bool, str], None]


class Mirror:
    """See the module text. A part of the daemon: start, stop, committed, facts.

    Args:
        settings: where to.
        token: fetches the secret; raises KojimonError where it is not there. Asked again after each refusal.
        site: this site's name.
        open_reader: opens the journal for reading; may raise JournalError while it cannot be read.
        writer: keeps the cursors.
        tell: the daemon's health, called as ("mirror", ok, text).
        say: events as lines for a person, see Feed.
        process: who makes the requests; None for a child process.
        pause_s: real seconds between parcels of a backlog.
    """

    name = SINK

    def __init__(
        self,
        settings: MirrorSettings,
        token: Callable[[], str],
        site: str,
        open_reader: Callable[[], Reader],
        writer: Writer,
        tell: Tell,
        *,
        say: Callable[[Sequence[Event]], list[str]] | None = None,
        process: Process | None = None,
        pause_s: float = PAUSE_S,
    ) -> None:
        self._process = process or Process(
            lambda: Address(settings.url, settings.organisation, settings.bucket, token(), REQUEST_S)
        )
        self._open_reader, self._writer, self._tell, self._site, self._say = open_reader, writer, tell, site, say
        self._pause_s = pause_s
        self._reader: Reader | None = None
        self._feed: Feed | None = None
        self._streams: tuple[Stream, ...] = ()
        self._saved_s = self._well_s = 0.0
        self._ahead_s = float("-inf")
        self._behind = False
        self._backoff = clock.Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S)
        self._requests = self._ahead = 0
        self._trouble = self._waiting = ""
        self._told: bool | None = None
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="mirror", daemon=True)

    # -- doors, for any thread -----------------------------------------------------------------------------------

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ends thread and child, whatever they are doing; keeps the cursors. Returns whether it ended in time."""
        self._stopping = True
        self._wake.set()
        self._thread.join(timeout_s / 2)
        self._process.child.kill()  # a request that is out comes back at once
        self._thread.join(timeout_s / 2)
        ended = not self._thread.is_alive()
        self._process.child.end()
        self._save()
        return ended

    def committed(self, chunk: Chunk, _present: object = None) -> None:
        """New rows are in the journal."""
        if chunk.readings or chunk.inputs or chunk.events:
            self._wake.set()

    def facts(self) -> MirrorHealth:
        """For status."""
        streams = self._streams
        return MirrorHealth(
            event_cursor=streams[0].cursor if streams else None, cursor=streams[1].cursor if streams else None,
            sent=sum(stream.sent for stream in streams), ahead=self._ahead, requests=self._requests,
            set_aside=sum(stream.set_aside for stream in streams),
            expired=sum(stream.expired for stream in streams), behind=self._behind,
            started=self._process.child.lives, trouble=self._trouble, waiting=self._waiting,
        )  # fmt: skip

    # -- the thread ------------------------------------------------------------------------------------------------

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
        if self._reader is not None:
            self._reader.close()

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
        feed = self._open()
        wait_s = self._send_ahead(feed)
        if wait_s is not None:
            return wait_s
        for stream in self._streams:
            parcel = stream.next()
            self._waiting = parcel.waiting
            self._behind = parcel.full
            if parcel.points:
                return self._send(stream, parcel)
            if parcel.full:
                return 0.0
        self._save(SAVE_EVERY_S)
        return None

    def _open(self) -> Feed:
        if self._feed is None:
            reader = self._reader = self._open_reader()
            feed = Feed(reader, self._site, self._say)
            # Events first: they are few, and must not wait behind a week of readings.
            self._streams = (
                Stream(EVENT_SINK, feed.events, reader.cursor(EVENT_SINK), self._writer),
                Stream(SINK, feed.next, reader.cursor(SINK), self._writer),
            )
            self._feed = feed
        return self._feed

    def _send_ahead(self, feed: Feed) -> float | None:
        """The newest values, while the server was away or a backlog goes out. Returns a wait when it is away still."""
        readings, now_s = self._streams[1], clock.real_s()
        due = self._trouble or (self._behind and now_s - self._ahead_s >= AHEAD_EVERY_S)
        if not due or self._reader is None or self._reader.last_seq() - readings.cursor <= readings.size:
            return None
        points = feed.newest()
        if not points:
            return None
        answer = self._ask(points)
        found = meaning(answer)
        if found in (Meaning.OUTAGE, Meaning.FAULT):
            return self._later(answer, found)
        self._ahead_s = now_s
        if found is Meaning.STORED:
            self._ahead += len(points)
            self._well()
        return None

    def _send(self, stream: Stream, parcel: Parcel) -> float:
        answer = self._ask(parcel.points)
        found = meaning(answer)
        if found is Meaning.EXPIRED:
            before_no = stream.cursor
            other = stream.past_retention(self._last_no(stream), answer, self._ask)
            if other is None and stream.cursor == before_no:
                stream.smaller(parcel, answer)
            if other is None:
                self._well()
                return self._pause_s
            answer, found = other, meaning(other)
        if found is Meaning.STORED:
            stream.stored(parcel)
            self._well()
            self._save(SAVE_EVERY_S)
            return self._pause_s
        if found in (Meaning.TOO_LARGE, Meaning.POISON):
            stream.smaller(parcel, answer)
            return 0.0
        return self._later(answer, found)

    def _last_no(self, stream: Stream) -> int:
        assert self._reader is not None
        return self._reader.last_seq() if stream.sink == SINK else self._reader.last_event()

    def _ask(self, points: Sequence[Point]) -> Answer:
        if self._stopping:
            return Answer(0, "stopping")
        self._requests += 1
        return self._process.ask(points)

    def _well(self) -> None:
        """The server has taken something."""
        self._well_s, self._trouble = clock.real_s(), ""
        self._backoff.worked()
        self._say_health(True, "the mirror takes rows again")

    def _later(self, answer: Answer, found: Meaning) -> float:
        if self._stopping:
            return 0.0
        self._trouble = advice(answer)
        if found is Meaning.FAULT:
            # A corrected token is read when the next child starts.
            self._process.child.end()
            self._say_health(False, self._trouble)
            return FAULT_RETRY_S
        if clock.real_s() - self._well_s >= TOLD_AFTER_S:
            self._say_health(False, self._trouble)
        wait_s = max(answer.retry_after_s, self._backoff.failed() * random.uniform(0.5, 1.0))
        return min(wait_s, BACKOFF_MOST_S)

    def _say_health(self, ok: bool, text: str) -> None:
        """Tells a change, and how it is at the first answer: an alarm may stand from before a restart."""
        if self._told != ok:
            self._tell(SINK, ok, text)
        self._told = ok

    def _save(self, every_s: float = 0.0) -> None:
        """Hands the cursors to the writer; they ride along with the next commit. Lost, some points are sent again."""
        now_s = clock.real_s()
        moved = {stream.sink: stream.cursor for stream in self._streams if stream.cursor != stream.saved}
        if moved and now_s - self._saved_s >= every_s:
            self._writer.submit(Chunk(cursors=moved))
            for stream in self._streams:
                stream.saved = stream.cursor
            self._saved_s = now_s
