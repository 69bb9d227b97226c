"""Exactly once, whatever breaks: a broker with sessions, and a reader that may be killed between any two steps.

Every message has the same content, the worst case: only packet ids and sessions tell one from another. The broker's ids
wrap after IDS, as real ones do after 65,535; the journal remembers KEPT of them, fewer than IDS, as it does of 65,535.
"""

from __future__ import annotations

from collections.abc import Sequence
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.probes.sources import receipts as module
from kojimon.probes.sources.receipts import Delivery, Left, Receipts
from tests.parts.size import size

IDS, KEPT, IN_FLIGHT = 7, 4, 3
STEPS = ("whole", "publish", "deliver", "commit", "acknowledge", "reconnect", "lose", "kill")


class World:
    """One broker, one journal, one reader over its lives."""

    def __init__(self, source: str = "house") -> None:
        self.source, self.number, self.id = source, 0, 0
        self.queue: list[int] = []
        self.flying: dict[int, int] = {}
        self.sent: set[int] = set()
        self.stored: list[int] = []
        self.committed: list[int] = []
        self.session, self.present = 0, False
        self.receipts = Receipts(source)
        self.waiting: list[tuple[int, int]] = []
        self.answers: list[tuple[int, int]] = []
        self.acknowledged: list[int] = []
        self.begin()

    def begin(self) -> None:
        """A new life of the reader: what is in memory is gone, the journal is there."""
        self.waiting, self.answers = [], []
        self.receipts = Receipts(self.source, Left(tuple(self.committed), self.session, self.begun))
        self.connect()

    def begun(self, number: int) -> None:
        self.session = number

    def connect(self) -> None:
        """The broker says whether it knows us, and sends again what is under way, marked as such."""
        self.answers = []
        self.receipts.connected(self.present)
        self.present = True
        for mid in list(self.flying):
            self.take(mid, mid in self.sent)

    def take(self, mid: int, again: bool) -> None:
        self.sent.add(mid)
        receipt, what = self.receipts.delivered(mid, again, "koji", b"31")
        if what is Delivery.NEW:
            self.waiting.append((self.flying[mid], receipt))
        elif what is Delivery.DONE:
            self.answers.append((mid, self.flying[mid]))

    def whole(self) -> None:
        """A message all the way, so that ids wrap often."""
        for step in (self.publish, self.deliver, self.commit, self.acknowledge):
            step()

    def publish(self) -> None:
        self.number += 1
        self.queue.append(self.number)

    def deliver(self) -> None:
        if self.queue and len(self.flying) < IN_FLIGHT:
            while self.id == 0 or self.id in self.flying:
                self.id = self.id % IDS + 1
            self.flying[self.id] = self.queue.pop(0)
            self.sent.discard(self.id)
            self.take(self.id, False)
            self.id = self.id % IDS + 1

    def commit(self) -> None:
        """On the disk; what is to be acknowledged has not left yet."""
        taken, self.waiting = self.waiting, []
        self.stored += [number for number, _ in taken]
        self.committed = [*self.committed, *(receipt for _, receipt in taken)][-KEPT:]
        self.answers += [(mid, self.flying[mid]) for mid in self.receipts.commit([one for _, one in taken])]

    def acknowledge(self) -> None:
        for mid, number in self.answers:
            if self.flying.get(mid) == number:
                self.acknowledged.append(number)
                del self.flying[mid]
        self.answers = []

    def reconnect(self) -> None:
        self.connect()

    def lose(self) -> None:
        """The broker is killed without persistence: what it had is gone with it, its ids begin again."""
        self.flying, self.queue, self.sent, self.id, self.present = {}, [], set(), 0, False
        self.connect()

    def kill(self) -> None:
        self.begin()

    def check(self) -> None:
        assert len(self.stored) == len(set(self.stored)), "doubled"
        assert set(self.acknowledged) <= set(self.stored), "acknowledged, not stored"

    def finish(self) -> None:
        """In the end everything that the broker still has gets through, and can be told from what came before."""
        owed = {*self.queue, *self.flying.values()}
        while self.queue or self.flying:
            self.reconnect()
            self.deliver()
            self.commit()
            self.acknowledge()
        self.check()
        assert owed <= set(self.stored), "lost"


def play(world: World, steps: Sequence[str]) -> None:
    with patch.object(module, "COMMITTED_LIMIT", KEPT):
        for step in steps:
            getattr(world, step)()
            world.check()
        world.finish()


@settings(max_examples=size(300, 1500), deadline=None)
@given(st.lists(st.sampled_from(STEPS), max_size=60))
def test_exactly_once_over_kills_lost_sessions_and_ids_that_wrap(steps: list[str]) -> None:
    play(World(), steps)


@settings(max_examples=size(100, 300), deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.sampled_from(STEPS)), max_size=60))
def test_two_brokers_with_the_same_ids_and_content(steps: list[tuple[bool, str]]) -> None:
    """One journal for both, and one stream of commits: what is not a source's own is passed over."""
    worlds = World("house"), World("cellar")
    with patch.object(module, "COMMITTED_LIMIT", KEPT):
        for which, step in steps:
            one, other = worlds[which], worlds[not which]
            if step == "commit":
                assert other.receipts.commit([receipt for _, receipt in one.waiting]) == []
            getattr(one, step)()
            one.check()
        for world in worlds:
            world.finish()


@pytest.mark.parametrize("kill_after", range(len(STEPS)))
def test_a_broker_that_lost_us_and_a_kill_at_each_step_after(kill_after: int) -> None:
    """Twelve readings, the broker begins again with the same ids, twelve more like them, and the daemon is killed."""
    round_ = ["publish", "deliver", "commit", "acknowledge"] * 12
    again = ["publish", "deliver", "publish", "deliver", "commit", "acknowledge", "publish"]
    play(World(), [*round_, "lose", *again[:kill_after], "kill", *again[kill_after:]])


def test_the_same_again_under_a_number_used_before_is_another_message() -> None:
    """A broker gives its 65,535 numbers round and round: only what it marks as sent before may be dropped."""
    receipts = Receipts("house")
    receipts.connected(False)
    first, _ = receipts.delivered(1, False, "koji", b"31.5")
    receipts.commit([first])
    assert receipts.delivered(1, False, "koji", b"31.5")[1] is Delivery.NEW
    assert receipts.delivered(1, True, "koji", b"31.5")[1] is not Delivery.NEW
