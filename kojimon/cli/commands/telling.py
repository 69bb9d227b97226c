"""Prints what happens while the daemon runs: one line for each event that says something to a person.

Events come on the journal's thread and glimpses on the simulator's; both only put them into a bounded queue, and one
thread prints, so that a slow or blocked terminal holds up nothing.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from msgspec.structs import replace

from kojimon import logs
from kojimon.cli.shared import screen
from kojimon.model import Event
from kojimon.words import status as words
from kojimon.words.events import Line, Teller
from kojimon.words.speech import Speech

if TYPE_CHECKING:
    from kojimon.core.turn import Present
    from kojimon.daemon import Daemon
    from kojimon.journal.reading.reader import Reader
    from kojimon.journal.records import Chunk
    from kojimon.probes.sources.simulated import Glimpse

WAITING_MOST = 1_000
SENTENCE_EVERY_H = 4.0
"""While a simulated batch runs, the state is said so often (world hours)."""
_LOG = logs.get("daemon")


class Telling:
    """See the module text.

    Args:
        speech: how the person is spoken to.
        several: whether there are several boxes, so that each line must name its own.
        since: number of the last event before this start; what follows is told.
        bar: shown how far a simulated batch has got (share done), and ended with it.
    """

    def __init__(self, speech: Speech, several: bool = False, since: int = 0, bar: screen.Bar | None = None) -> None:
        self._teller, self._several, self._bar = Teller(speech), several, bar
        self._told = since
        self._queue: queue.Queue[Callable[[], None] | None] = queue.Queue(WAITING_MOST)
        self._thread = threading.Thread(target=self._work, name="telling", daemon=True)
        self._sentence_h = 0.0
        self._utc_of: Callable[[int], str] = lambda _: ""
        self.lost = 0

    def attach(self, daemon: Daemon) -> None:
        """Listens to a daemon that has started."""
        from kojimon.web.api.stamps import iso_utc

        house = daemon.house

        def utc(t_ms: int) -> str:
            return iso_utc(house.utc_of()(t_ms)[0])

        self._utc_of = utc
        house.core.listen(self.committed)
        self._put(lambda: self._missed(house.reader()))
        self._thread.start()

    def _missed(self, reader: Reader) -> None:
        """What was committed between the start and the first listening."""
        self._events(reader.events(self._told))

    def committed(self, chunk: Chunk, present: Present) -> None:
        """Takes the events of a commit; never waits."""
        if chunk.events:
            self._put(lambda: self._events(chunk.events))

    def glimpse(self, seen: Glimpse) -> None:
        """Takes a look at a simulated batch; never waits."""
        self._put(lambda: self._glimpse(seen))

    def call(self, work: Callable[[], None]) -> None:
        """Does something between two lines."""
        self._put(work)

    def end(self, timeout_s: float = 2.0) -> None:
        """Prints what waits, then ends."""
        self._put(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        if self.lost:
            screen.say(f"({self.lost} lines could not be shown in time; kojimon batch show has them.)", "quiet")

    def _put(self, work: Callable[[], None] | None) -> None:
        try:
            self._queue.put_nowait(work)
        except queue.Full:
            self.lost += 1

    def _work(self) -> None:
        while (work := self._queue.get()) is not None:
            try:
                work()
            except Exception as error:  # the lines after it must not fall silent for one that cannot be told
                _LOG.warning("a line could not be told: %s", error)

    def _events(self, events: Sequence[Event]) -> None:
        for one in events:
            if one.no <= self._told:
                continue
            self._told = one.no
            event = replace(one, utc=self._utc_of(one.t_ms))
            line = self._teller.tell(event)
            if line is not None and not _of_the_start(event, line):
                self._print(event, line)

    def _print(self, event: Event, line: Line) -> None:
        when = self._teller.speech.stamp(event.utc) if event.utc else ""
        box = f"[{event.incubator}] " if self._several and event.incubator else ""
        screen.entry(when, f"{box}{line.text}", line.tone)

    def _glimpse(self, seen: Glimpse) -> None:
        if self._bar is not None:
            self._bar(min(1.0, seen.hour / seen.hours if seen.hours else 0.0))
        if seen.over and self._bar is not None:
            self._bar.end()
        if seen.over or seen.hour - self._sentence_h < SENTENCE_EVERY_H:
            return
        self._sentence_h = seen.hour
        for box in seen.state.incubators:
            if box.batch is None:
                continue
            said = words.sentence(box, self._teller.speech, seen.state.t_ms)
            when = self._teller.speech.stamp(seen.state.now.utc)
            screen.entry(when, said.text, "quiet" if said.tone in ("good", "plain") else said.tone)


def _of_the_start(event: Event, line: Line) -> bool:
    """What the banner has said already: that the watch begins, with these settings."""
    return event.kind == "settings" or (event.kind == "start" and line.tone == "plain")
