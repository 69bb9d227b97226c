"""Look-ups made once from an EngineSetup: which probes sit where, which conditions hang on which place."""

from __future__ import annotations

from kojimon.contract import deadlines, keys
from kojimon.contract.keys import named
from kojimon.engine.setup import EngineSetup, IncubatorSetup, ProbeSetup, read_by_hand
from kojimon.model import BoxKind, Cover
from kojimon.schedule.spec import Schedule


class Compiled:
    """Indexes over one setup. Never changed after it is made."""

    def __init__(self, setup: EngineSetup) -> None:
        self.setup = setup
        self.hands = tuple(read_by_hand(setup))
        self.probes: dict[int, ProbeSetup] = {probe.no: probe for probe in (*setup.probes, *self.hands)}
        self.by_name: dict[str, ProbeSetup] = {probe.name: probe for probe in self.probes.values()}
        self.incubators: dict[str, IncubatorSetup] = {box.name: box for box in setup.incubators}
        self.schedules: dict[str, Schedule] = setup.schedules
        self.at: dict[tuple[str, str, str], tuple[int, ...]] = {}
        self.hands_at: dict[tuple[str, str, str], tuple[int, ...]] = {}
        # The texts that each reading looked at asks for.
        self.silent = {one.no: named(one.incubator, keys.Silent(one.name)) for one in setup.probes}
        self.silence = {one.no: str(deadlines.Silent(one.no)) for one in setup.probes}
        for probe in setup.probes:
            place = (probe.incubator, probe.place, probe.quantity)
            self.at[place] = (*self.at.get(place, ()), probe.no)
        for hand in self.hands:
            place = (hand.incubator, hand.place, hand.quantity)
            self.hands_at[place] = (*self.hands_at.get(place, ()), hand.no)

    def kind_of(self, incubator: str) -> str:
        """The kind of a box (`model.BoxKind`)."""
        box = self.incubators.get(incubator)
        return box.kind if box is not None else BoxKind.UNKNOWN

    def cover_of(self, incubator: str) -> str:
        """How the rice is covered there (`model.Cover`)."""
        box = self.incubators.get(incubator)
        return box.cover if box is not None else Cover.UNKNOWN

    def probes_at(self, incubator: str, place: str, quantity: str) -> tuple[int, ...]:
        """Numbers of the probes in a place, in the order of the settings."""
        return self.at.get((incubator, place, quantity), ())

    def known_at(self, incubator: str, place: str, quantity: str) -> tuple[int, ...]:
        """The same, and after them what is read by hand there: for what asks how it is, not how it runs."""
        key = (incubator, place, quantity)
        return self.at.get(key, ()) + self.hands_at.get(key, ())


_MEMO: dict[tuple[str, int], Compiled] = {}


def compiled_for(setup: EngineSetup, setup_hash: str) -> Compiled:
    """The indexes of a setup; a memo of the last few, since every advance asks."""
    key = (setup_hash, id(setup))
    found = _MEMO.get(key)
    if found is None or found.setup is not setup:
        if len(_MEMO) >= 8:
            _MEMO.clear()
        found = _MEMO[key] = Compiled(setup)
    return found
