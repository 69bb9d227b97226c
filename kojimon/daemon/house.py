"""Journal and core with everything they hang on, without sources and doors.

The daemon puts sources and doors around it; a command that finds no daemon opens one for a single act. So what a person
does takes the same way whether the daemon runs or not.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from msgspec.structs import replace

from kojimon import __version__, engine, logs
from kojimon.clock import Clock, SystemClock, real_s
from kojimon.contract import keys
from kojimon.contract.acts import Act, AlarmTest, Dated, Deed, OfAlarm, PlainAct, Reading
from kojimon.contract.events import Repeated
from kojimon.contract.state import Document, Now, Units
from kojimon.core.acts import Calendar
from kojimon.core.boot import Booted, NoPast, Past, boot, restore
from kojimon.core.fields import checked
from kojimon.core.intake import Intake
from kojimon.core.loop import Core
from kojimon.core.turn import Request
from kojimon.daemon.certificates import Certificates
from kojimon.daemon.guide import Guide, moves_in_force, seated
from kojimon.daemon.lasting import Lasting, lost, pasts
from kojimon.errors import JournalError, RefusedError
from kojimon.journal.files.damage import EMPTY, FORGOT, GONE, SHORT, UNREAD, fold, mend, open_or_recover, story
from kojimon.journal.files.last import Last
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.stamps import Stamps
from kojimon.journal.writing.trouble import HUNG
from kojimon.journal.writing.writer import Writer
from kojimon.model import Reply
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Settings
from kojimon.web.api.stamps import UtcOf, iso_utc, stamped
from kojimon.wiring import engine_setup

_LOG = logs.get("daemon")


class House:
    """See the module text.

    Args:
        settings: everything the daemon is told.
        clock: world time.
        driven: a driver says when the engine runs.
        notes: (what, text) of health alarms to be raised at the start: bad settings.

    Raises:
        JournalError: another process has the journal, or it is of a newer kojimon or of another program.
    """

    def __init__(
        self, settings: Settings, clock: Clock, driven: bool = False, notes: Sequence[tuple[str, str]] = ()
    ) -> None:
        self.settings, self.clock = settings, clock
        self.path = Path(os.path.realpath(settings.journal.path))
        self._probes = {probe.name: probe for probe in settings.probes}
        self._opened = open_or_recover(self.path)
        self._reader: Reader | None = None
        self._stamps: Stamps | None = None
        self._core: Core | None = None
        self.outgoing: list[Callable[[Chunk], None]] = []
        """Told of each chunk on its way to the journal, in the core's thread; must be quick."""
        self.released: list[Callable[[Sequence[tuple[str, int]]], None]] = []
        """Told of (source, receipt) pairs to be acknowledged although they are in memory only; must be quick."""
        self.intake: Intake[Request] = Intake(signal_arrivals=not driven)
        self.writer = Writer(
            self.path,
            commit_every_s=settings.journal.commit_every_s,
            ballast_mb=settings.journal.ballast_mb,
            on_committed=self._committed,
            on_trouble=self._trouble,
            on_released=self._released,
            on_replaced=self._replaced,
        )
        last = self._opened.last
        self._lasting = Lasting(self.path, self.reader, last)
        self.writer.go_on(0, self._opened.refused)
        try:
            booted = self._boot()
            self.writer.go_on(booted.seq, self._opened.refused)
            # Nothing could be read, and nothing is kept: a batch may be open all the same.
            booted = booted._replace(blind=bool(self._opened.trouble) and last is None and not booted.seq)
            self.writer.start()
            self.core = self._core = self._make_core(driven, booted)
        except BaseException:
            self.writer.stop(1.0)
            self._opened.lock.release()
            raise
        self._notes = tuple(notes)

    def start(self) -> None:
        """Takes the first inputs and runs the core; whoever wants to hear of every commit listens before."""
        self.core.start()
        self._tell_found(self._notes)

    def _boot(self) -> Booted:
        """Where to go on. A batch that nobody ended goes on though the journal lost it: from what is kept beside."""
        booted, last = self._boot_on_journal(), self._opened.last
        if last is None or not lost(last, len(booted.state.batches), self.reader):
            return booted
        for past in pasts(last, self._past()):
            try:
                found = boot(past, self.clock, __version__, clean=False)
            except Exception:
                _LOG.exception("the batch cannot be had with this much of the journal")
                continue
            if not lost(last, len(found.state.batches), self.reader):
                told = self._opened.story or story(UNREAD if self._opened.trouble else FORGOT, None, last.at_work)
                self._opened = self._opened._replace(story=told, wake=True)
                return found._replace(snapshot_wanted=True)
        if self._opened.refused:
            raise JournalError(self._opened.refused)
        return booted

    def _boot_on_journal(self) -> Booted:
        """The journal's end. One that passed for sound and yet cannot be used is set aside: a start never fails."""
        if self._opened.trouble:
            try:
                return boot(self._past(), self.clock, __version__, clean=False)
            except Exception:  # left as it is: what fails may be the card
                _LOG.exception("the journal cannot be read")
                return boot(NoPast(), self.clock, __version__, clean=False)
        for carry in (True, False):
            try:
                return boot(self._past(), self.clock, __version__, clean=not self._opened.unclean)
            except Exception:
                _LOG.exception("the journal cannot be gone on with")
            if self._reader is not None:
                self._reader.close()
            self._opened = mend(self.path, self._opened, carry)
        return boot(NoPast(), self.clock, __version__, clean=False)

    def _make_core(self, driven: bool, booted: Booted) -> Core:
        settings = self.settings
        moves = moves_in_force(booted.state, settings)
        names, last = [probe.name for probe in settings.probes], self._opened.last
        numbers = self.writer.register_probes(names, seated(settings, moves).probes, last.probes if last else ())
        self._setup = engine_setup(settings, numbers)
        self._pipeline = Pipeline(settings.probes, numbers, settings.sources)
        self.certificates = Certificates(settings, self._pipeline)
        guide = Guide(settings, self._pipeline, self.certificates)
        guide.begin(booted.state, moves)
        with suppress(JournalError):
            self.certificates.begin(self.reader())
        self._unread = booted.unread
        first = [] if booted.state.setup_hash == self._setup.hash else [self._setup]
        return Core(
            booted,
            first,
            clock=self.clock,
            intake=self.intake,
            pipeline=self._pipeline,
            journal=self,
            driven=driven,
            calendar=self._calendar,
            guide=guide.take,
        )

    def _past(self) -> Past:
        try:
            return self.reader()
        except JournalError as error:
            _LOG.error("the journal has no past: %s", error)
            return NoPast()

    def _tell_found(self, notes: Sequence[tuple[str, str]]) -> None:
        """Raises, or ends, the alarms about what the start itself found."""
        bad = dict(notes)
        if self._opened.story:
            bad["journal"] = self._opened.story
        elif self._unread:
            what = f"{self._unread} old record{'s' if self._unread > 1 else ''}"
            bad["journal"] = f"{what} of the journal cannot be read by this version of kojimon; it goes on without"
        for what in ("settings", "journal"):
            wake = what == "journal" and self._opened.wake
            self.core.health(what, what not in bad, bad.get(what, "in order"), wake)
        # The writer spoke of it before there was a core to listen.
        self.core.storage(self.writer.facts().trouble)

    def submit(self, chunk: Chunk) -> None:
        """Hands a chunk of the core to the writer."""
        for listener in self.outgoing:
            listener(chunk)
        self.writer.submit(chunk)

    def raw(self, probe: str) -> tuple[float, int] | None:
        """The last raw value of a probe since the start, before any calibration, and its engine time."""
        return self._pipeline.raw(probe) if probe in self._probes else None

    # -- from the journal's thread --------------------------------------------------------------------------------

    def _committed(self, chunk: Chunk) -> None:
        if any(row.kind in ("start", "clock") for row in chunk.inputs):
            with suppress(JournalError):
                self._stamps = self.reader().stamps()
        self.core.committed(chunk)
        self._lasting.committed(chunk, self.core.durable())

    def _replaced(self, what: str, aside: Path | None) -> Last | None:
        """The journal was lost while we run: the batch in memory goes on, and begins the new one."""
        self._opened.lock.renew()
        if self._core is None:
            return self._opened.last
        present = self._core.present()
        last, names = self._lasting.at(present), [batch.name or batch.id for batch in present.state.batches.values()]
        self._core.begin_anew(self._setup)
        self._core.health("journal", True, "")  # one that was told before is not this one
        wake = bool(names) and what in (GONE, EMPTY, SHORT)
        self._core.health("journal", False, story(what, aside, names), wake=wake)
        return last

    def _trouble(self, text: str) -> None:
        if not text:
            self._opened.lock.renew()
        if self._core is not None:
            self._core.storage(text, real_s() - self.writer.busy_s(), self.writer.facts().dropped_rows)

    def _released(self, receipts: Sequence[tuple[str, int]]) -> None:
        for listener in self.released:
            listener(receipts)

    # -- what the doors ask (web.api.Backend) ------------------------------------------------------------------------

    def reader(self) -> Reader:
        """The journal, for reading. Raises JournalError while it cannot be read, or might keep its reader for ever."""
        if self.writer.facts().trouble == HUNG:
            raise JournalError(HUNG)
        if self.writer.refused:
            raise JournalError(self.writer.refused)
        if self._reader is None:
            self._reader = Reader(self.path)
        return self._reader

    def stamps(self) -> Stamps:
        """Engine time to UTC and back, as the journal has it; nothing known while it cannot be read.

        From memory: the words of an alarm must not wait for a disk that does not answer.
        """
        if self._stamps is None:
            try:
                self._stamps = self.reader().stamps()
            except JournalError:
                return Stamps(())
        return self._stamps

    def _calendar(self) -> Calendar:
        return self.stamps()

    def utc_of(self) -> UtcOf:
        """Engine ms to (UTC ms, trusted); by the clock as it stands where the journal has no stamps."""
        stamps, now = self.stamps(), self.core.moment()
        if stamps.segments:
            return stamps.utc_ms
        return lambda t_ms: (t_ms + now.utc_ms - now.t_ms, False)

    def now_ms(self) -> int:
        """Engine time now."""
        return self.core.moment().t_ms

    def state(self, durable: bool = False) -> Document:
        """The state document with its wall times; `durable`: not ahead of the journal."""
        return dressed(self.core.view(durable), self.settings, self.utc_of())

    def act(self, asked: PlainAct) -> Reply:
        """Does an act. Raises RefusedError and others (core.loop.Core.submit)."""
        act = checked(asked)
        self.certificates.admit(act)
        reply = self.core.submit(self._addressed(act))
        if reply.repeated and isinstance(act.deed, Reading):
            self._same(act, reply)
        utc_of = self.utc_of()
        return replace(reply, events=tuple(stamped(event, utc_of) for event in reply.events))

    def _same(self, act: Act, reply: Reply) -> None:
        """Raises RefusedError where a key that came before came with another reading: it would be lost unseen."""
        first = next((event.what.first for event in reply.events if isinstance(event.what, Repeated)), 0)
        row = self.reader().input(first)
        before = row.what.deed if row is not None and isinstance(row.what, Act) else None
        if before is None or _timeless(before) == _timeless(act.deed):
            return
        raise RefusedError(
            f"idempotency: {act.idempotency}: this key came before with something else, and nothing was saved now; "
            "expected the same reading, or a key of its own"
        )

    def _addressed(self, act: Act) -> Act:
        """Where there is one incubator nobody has to name it; the site's own alarms belong to none."""
        incubator, deed = act.incubator, act.deed
        if isinstance(deed, AlarmTest) or (isinstance(deed, OfAlarm) and keys.of_site(keys.parse(deed.key))):
            incubator = ""
        elif not incubator and len(self.settings.incubators) == 1:
            incubator = self.settings.incubators[0].name
        return replace(act, incubator=incubator)

    # -- the end ------------------------------------------------------------------------------------------------------

    def close(self, reason: str, core_s: float = 3.0, commit_s: float = 5.0) -> bool:
        """Ends the core, commits what waits, lets go of the journal. Whether all of it ended in time."""
        ended = self.core.stop(reason, core_s)
        # The writer must be the last to have it open: then SQLite leaves one file.
        if self._reader is not None:
            self._reader.close()
        committed = self.writer.stop(commit_s)
        if not (ended and committed):
            _LOG.error("the stop was not orderly: core ended %s, all committed %s", ended, committed)
        if self._reader is not None:
            self._reader.close()
        if ended and committed and not self.writer.refused:
            fold(self.path)
        self._opened.lock.release()
        return ended and committed


def dressed(view: Document, settings: Settings, utc_of: UtcOf) -> Document:
    """The engine's view with what the engine does not know: UTC beside engine time, zone and units of the person."""
    utc_ms, trusted = utc_of(view.t_ms)
    now = Now(iso_utc(utc_ms), trusted, settings.person.zone)
    units = Units(settings.units.fahrenheit, settings.units.pounds)
    return replace(stamped(view, utc_of), now=now, units=units)


@contextmanager
def acting(settings: Settings) -> Iterator[House]:
    """The journal opened for acts while no daemon runs. Raises JournalError when one does."""
    house = House(settings, SystemClock(settings.clock_trusted))
    house.start()
    try:
        yield house
    finally:
        house.close("act without daemon")


def still(settings: Settings) -> Document:
    """The state document as the last daemon left it, from the journal alone; nothing is written.

    Raises JournalError when there is no journal, or it cannot be read.
    """
    with closing(Reader(Path(settings.journal.path))) as reader:
        state = restore(reader).state
        return dressed(engine.view(state, state.t_ms), settings, reader.stamps().utc_ms)


def _timeless(deed: Deed) -> Deed:
    """Sent again it may be so many seconds ago: a moment does not make it another."""
    return replace(deed, at_t_ms=None, at_ago_s=None, at_utc=None) if isinstance(deed, Dated) else deed
