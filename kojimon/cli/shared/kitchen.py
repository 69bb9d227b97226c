"""The way to one kitchen: the daemon where it runs, its journal where it does not.

Commands ask a `Kitchen` and do not know which of the two answers. An act without a daemon takes the journal's lock and
runs the daemon's own core for that one act (`daemon.house.acting`).
"""

from __future__ import annotations

import os
import pwd
import uuid
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
from msgspec.structs import replace

from kojimon.cli.shared import screen
from kojimon.contract.acts import Act, Deed, PlainAct, plain
from kojimon.contract.events import Refused, Window
from kojimon.contract.night import NightCheck
from kojimon.contract.rows import Batch, ListedProbe
from kojimon.contract.state import Box, Document
from kojimon.errors import JournalError, KojimonError, RefusedError, UsageError
from kojimon.journal.reading.facts import JournalFacts, facts_of
from kojimon.model import Event, typed_event
from kojimon.words import gates
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.events import Teller
from kojimon.words.standing import after

if TYPE_CHECKING:
    from kojimon.daemon.house import House
    from kojimon.journal.reading.reader import Reader
    from kojimon.settings.spec import Settings
    from kojimon.web.api.sheets import Drawn
    from kojimon.web.client.local import Client

PAGE = 1_000


class LiveKitchen:
    """A daemon that runs, asked over its Unix socket. Times are engine ms, with `*_utc` where a person reads them."""

    live = True

    def __init__(self, client: Client) -> None:
        self.client = client

    def state(self) -> Document:
        """The state document."""
        return self.client.state()

    def act(self, deed: Deed, incubator: str) -> Sequence[Event]:
        """Does an act; the events that came of it. Raises RefusedError with the reason, in the person's units."""
        try:
            done = self.client.act(msgspec.to_builtins(act_of(deed, incubator)))
        except RefusedError as error:
            raise worded(self, incubator, error) from error
        if not done["recorded"]:
            screen.say("kojimon knows it, but it is not saved yet. See: kojimon alarms", "look", error=True)
        return [typed_event(row) for row in done["events"]]

    def batches(self) -> list[Batch]:
        """Every batch, the latest last."""
        return msgspec.convert(self.client.get("/v1/batches")["batches"], list[Batch])

    def events(self, batch: str | None = None, after: int = 0, kinds: str | None = None) -> list[Event]:
        """Events with `utc`, oldest first."""
        found: list[Event] = []
        while True:
            page = self.client.get("/v1/events", after=after, batch=batch, kinds=kinds, limit=PAGE)
            found += [typed_event(row) for row in page["events"]]
            after = page["after"]
            if not page["more"]:
                return found

    def probes(self) -> list[ListedProbe]:
        """Every probe with its last reading and where it is found."""
        return msgspec.convert(self.client.get("/v1/probes")["probes"], list[ListedProbe])

    def night_check(self) -> NightCheck | None:
        """Whether the night check is passed, which tests are overdue (`daemon.people.standing`); None where unknown."""
        notify = self.client.health().parts.notify
        return notify.night_check if notify else None

    def journal(self) -> JournalFacts:
        """The journal's size and how far it has got (`journal.reading.facts.facts_of`)."""
        return self.client.record("journal", JournalFacts)

    def curve(self, batch: str, last_h: float | None = None, unit: str = "") -> Drawn:
        """What is drawn of a batch (`web.api.sheets`)."""
        from kojimon.web.api.sheets import Drawn

        return self.client.record("curve", Drawn, batch=batch, last=last_h, unit=unit or None)


class ShutKitchen:
    """The same of a journal that nobody holds. Looking writes nothing; the first act takes the lock until `close`."""

    live = False

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._stack = ExitStack()
        self._house: House | None = None
        self._reader: Reader | None = None

    def state(self) -> Document:
        from kojimon.daemon.house import still

        if self._house is not None:
            return self._house.state()
        return still(self.settings) if self.kept() else self._empty()

    def kept(self) -> bool:
        """Whether there is a journal already."""
        return Path(self.settings.journal.path).exists()

    def _empty(self) -> Document:
        """Before the first start there is no journal: what the settings alone say."""
        from kojimon import engine
        from kojimon.clock import SystemClock
        from kojimon.daemon.house import dressed
        from kojimon.model import InputRow
        from kojimon.wiring import engine_setup

        clock = SystemClock(self.settings.clock_trusted)
        numbers = {probe.name: number for number, probe in enumerate(self.settings.probes, 1)}
        row = InputRow(1, 0, engine_setup(self.settings, numbers))
        state, _ = engine.advance(engine.initial_state(), [row], 0)
        return dressed(engine.view(state, 0), self.settings, lambda _: (clock.wall_ms(), clock.trusted()))

    def act(self, deed: Deed, incubator: str) -> Sequence[Event]:
        from kojimon.journal.writing.trouble import MEANWHILE

        house = self._open()
        try:
            done = house.act(act_of(deed, incubator))
        except RefusedError as error:
            raise worded(self, incubator, error) from error
        if not done.recorded:
            # Nobody runs who could write it later.
            trouble = house.writer.facts().trouble or "the disk did not answer"
            why = trouble.partition(f". {MEANWHILE}")[0]
            raise JournalError(f"Nothing was done, for it could not be saved: {why}.")
        return done.events

    def _open(self) -> House:
        from kojimon.daemon.house import acting

        if self._house is None:
            self._house = self._stack.enter_context(acting(self.settings))
        return self._house

    def reader(self) -> Reader:
        """The journal, for reading. Raises JournalError when there is none."""
        from kojimon.journal.reading.reader import Reader

        if self._house is not None:
            return self._house.reader()
        if not self.kept():
            raise JournalError(
                f"There is no journal {self.settings.journal.path} yet: it begins when kojimon first runs. "
                "To start it: kojimon run"
            )
        if self._reader is None:
            self._reader = self._stack.enter_context(closing(Reader(Path(self.settings.journal.path))))
        return self._reader

    def batches(self) -> list[Batch]:
        from kojimon.web.api.stamps import stamped

        if not self.kept():
            return []
        reader = self.reader()
        utc_of = reader.stamps().utc_ms
        return [stamped(Batch(**row._asdict()), utc_of) for row in reader.batches()]

    def events(self, batch: str | None = None, after: int = 0, kinds: str | None = None) -> list[Event]:
        from kojimon.web.api.stamps import stamped

        reader = self.reader()
        utc_of, found = reader.stamps().utc_ms, list[Event]()
        while page := reader.events(after, batch, kinds.split(",") if kinds else None, PAGE):
            found += [stamped(event, utc_of) for event in page]
            after = page[-1].no
        return found

    def probes(self) -> list[ListedProbe]:
        from kojimon.clock import SystemClock
        from kojimon.daemon.certificates import Certificates

        known = Certificates(self.settings)
        if self.kept():
            known.begin(self.reader())
        return known.listed(self.state(), say.moment_utc(SystemClock().wall_ms()).date())

    def night_check(self) -> NightCheck | None:
        from kojimon.daemon.people import standing, wakers

        if not self.kept():
            return None
        path = Path(self.settings.journal.path)
        return standing(self.settings, path, self.state().t_ms, wakers(self.settings))

    def journal(self) -> JournalFacts:
        return facts_of(self.reader())

    def curve(self, batch: str, last_h: float | None = None, unit: str = "") -> Drawn:
        from kojimon.web.api.curves import Curves
        from kojimon.web.api.sheets import drawn

        return drawn(Curves(self), batch, self.state(), last_h, unit=unit)

    def close(self) -> None:
        """Lets go of the journal."""
        self._house = self._reader = None
        self._stack.close()


Kitchen = LiveKitchen | ShutKitchen
"""What commands ask; `live`: whether a running daemon answers."""


def worded(kitchen: Kitchen, incubator: str, error: RefusedError) -> RefusedError:
    """A refusal in the person's own units; one at a gate with the ways on."""
    try:
        speech = words.speech_of(kitchen.state())
        last = next(iter(kitchen.events(kinds="refused")[-1:]), None)
    except KojimonError:
        return error
    what = last.what if last is not None and last.incubator in (incubator, "") else None
    if not isinstance(what, Refused) or what.reason != str(error) or not what.at_gate:
        return RefusedError(speech.refusal(str(error)))
    return RefusedError(
        f"{gates.refusal(what, speech)} {gates.way_on(what)}; or measure it with a kitchen thermometer "
        f"and add --thermometer {speech.brief('temperature', 31.0).replace('°', '')}; or go on anyway and say why: "
        "--override REASON."
    )


def probe_of(rows: Sequence[ListedProbe], name: str) -> ListedProbe:
    """The probe of a name. Raises UsageError that lists what there is."""
    found = next((row for row in rows if row.name == name), None)
    if found is None:
        known = ", ".join(row.name for row in rows) or "none"
        raise UsageError(f"There is no probe {name!r}. Expected one of: {known}. To see them: kojimon probes")
    return found


def incubator_of(document: Document, name: str, batch: bool = False) -> Box:
    """The box meant: the one named, or the only one (with an open batch, where one is needed).

    Raises UsageError that lists what there is.
    """
    boxes, found = document.incubators, list[Box]()
    if name:
        found = [box for box in boxes if box.name == name]
        if not found:
            raise UsageError(f"There is no box {name!r}. There is: {', '.join(box.name for box in boxes)}.")
    else:
        found = [box for box in boxes if box.batch or not batch or len(boxes) == 1]
        if len(found) > 1:
            raise UsageError(f"Which box? Add --incubator and one of {', '.join(box.name for box in found)}.")
    if batch and (not found or not found[0].batch):
        where = f" in {found[0].name}" if found else ""
        raise RefusedError(f"No batch is open{where}. To open one: kojimon batch start NAME")
    return found[0]


def print_events(kitchen: Kitchen, events: Sequence[Event]) -> str:
    """What came of an act, in words. Returns them."""
    state = kitchen.state()
    speech = words.speech_of(state)
    teller = Teller(speech, lambda event: words.work_at(state, event.incubator, state.t_ms))
    lines = [line for event in _undoubted(events) if (line := teller.tell(event)) is not None]
    for line in lines:
        screen.say(line.text, line.tone)
    for text in filter(None, after(events, state, speech)):
        screen.say(text)
    if not kitchen.live:
        screen.say("Saved. But kojimon is not running. To start it: kojimon run", "look")
    return " ".join(line.text for line in lines)


def _undoubted(events: Sequence[Event]) -> Iterator[Event]:
    """The events, each doubt about the koji in the first of them alone."""
    doubts: set[str] = set()
    for event in events:
        what = event.what
        again = isinstance(what, Window) and what.doubt in doubts
        doubts |= {what.doubt} if isinstance(what, Window) else set()
        yield replace(event, what=replace(what, doubt="")) if again else event


def who() -> str:
    """The person at the keyboard, as the machine knows them."""
    try:
        return os.environ.get("SUDO_USER") or pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())


def act_of(deed: Deed, incubator: str) -> PlainAct:
    """An act as the doors take it, with a key of its own so that a repeat does nothing."""
    return plain(Act(deed, incubator, who(), "cli", uuid.uuid4().hex))
