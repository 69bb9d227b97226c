"""After an outage: the newest first, then what was missed; what the bucket no longer keeps; annotations; the token."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing

import pytest

from kojimon.errors import UsageError
from kojimon.mirror import sender
from kojimon.mirror.child import Address
from kojimon.mirror.feed import EVENTS, Feed, Parcel, Point
from kojimon.mirror.process import Process
from kojimon.mirror.sender import EVENT_SINK, SINK, Mirror
from tests.mirror.kitchen import Kitchen
from tests.mirror.standin import OK, Reply, StandIn
from tests.parts.wait import until

NOON = 1_780_000_000_000
MakeMirror = Callable[..., Mirror]
EXPIRED = Reply(422, "failure writing points: partial write: points beyond retention policy dropped=1")


def times(kitchen: Kitchen) -> list[int]:
    """Times (ns) of every reading of the journal, in its order."""
    with closing(kitchen.reader()) as reader:
        return [point.time_ns for point in Feed(reader, "cellar").next(0, 10**6).points]


def stored(server: StandIn) -> set[int]:
    return {ns for _, ns in server.stored}


def test_the_newest_values_go_ahead_of_a_backlog(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A day's outage: the first thing the server then hears is how it stands now."""
    monkeypatch.setattr(sender, "AHEAD_EVERY_S", 3600.0)  # once, however slow this machine is
    taken: list[list[int]] = []

    def rule(lines: list[str]) -> Reply:
        taken.append([int(line.rsplit(" ", 1)[1]) for line in lines])
        return OK

    server.rule = lambda lines: Reply(503)
    kitchen.clock(NOON)
    kitchen.read(8640)
    mirror = make_mirror(server.url)
    until(lambda: mirror.facts().trouble, what="it noticed")
    server.rule = rule
    until(lambda: stored(server) == set(times(kitchen)), what="all of it")
    wanted = times(kitchen)
    until(lambda: mirror.facts().cursor == kitchen.seq, what="it knows")
    assert taken[0] == wanted[-3:], "one of each probe"
    assert [ns for request in taken[1:] for ns in request] == wanted, "then all of it, oldest first"
    assert mirror.facts().ahead == 3 and len(server.stored) == len(wanted), "the same points, not more"


def test_while_a_long_backlog_goes_out_the_newest_is_sent_again(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender, "AHEAD_EVERY_S", 0.0)
    kitchen.clock(NOON)
    kitchen.read(2000)
    mirror = make_mirror(server.url)
    until(lambda: mirror.facts().cursor == kitchen.seq, what="all of it")
    assert server.requests == [1000, 3, 1000, 3, 1000, 3, 1000, 3, 1000, 1000]
    assert len(server.stored) == 6000


@pytest.mark.parametrize("kept", [1000, 5, 0, 5999])
def test_what_the_bucket_no_longer_keeps_is_passed_over_at_once(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror, kept: int
) -> None:
    """Fault: bucket retention shorter than the backlog. Some dozens of requests, however long the backlog is."""
    kitchen.clock(NOON)
    kitchen.read(2000)
    wanted = times(kitchen)
    edge_ns = wanted[len(wanted) - kept] if kept else 2**62
    told: list[bool] = []

    def rule(lines: list[str]) -> Reply:
        return EXPIRED if any(int(line.rsplit(" ", 1)[1]) < edge_ns for line in lines) else OK

    server.rule = rule
    mirror = make_mirror(server.url, tell=lambda _what, ok, _text: told.append(ok))
    until(lambda: mirror.facts().cursor == kitchen.seq, what="past it")
    assert stored(server) == set(wanted[len(wanted) - kept :])
    facts = mirror.facts()
    assert facts.expired + facts.set_aside == len(wanted) - kept + 1, "rows of the journal, the clock's own among them"
    assert facts.requests < 40 and False not in told and facts.trouble == ""
    assert kitchen.writer.flush(60)
    rows = kitchen.writer.run(lambda db: db.execute("SELECT sink, text FROM quarantine").fetchall())
    assert len(rows) == 1 and rows[0][0] == SINK and "older than the bucket keeps: 422" in rows[0][1]


def test_an_outage_in_the_search_ends_it_and_it_begins_again(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror
) -> None:
    kitchen.clock(NOON)
    kitchen.read(1000)
    wanted = times(kitchen)
    asked = 0

    def rule(lines: list[str]) -> Reply:
        nonlocal asked
        asked += 1
        if asked in (4, 5, 9):
            return Reply(503)
        return EXPIRED if any(int(line.rsplit(" ", 1)[1]) < wanted[1500] for line in lines) else OK

    server.rule = rule
    mirror = make_mirror(server.url)
    until(lambda: mirror.facts().cursor == kitchen.seq, what="past it")
    assert stored(server) == set(wanted[1500:])


def test_events_come_as_annotations(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    kitchen.clock(NOON)
    kitchen.batch("batch-start", "b 1")
    kitchen.batch("bookkeeping", "b 1")
    kitchen.batch("step-due", "b 1", "mix")
    texts = {"batch-start": 'Batch "first" begins\\', "step-due": "Due now: break up, mix.", "bookkeeping": ""}
    mirror = make_mirror(server.url, say=lambda events: [texts[event.kind] for event in events])
    until(lambda: mirror.facts().event_cursor == 3, what="all events")
    box = f"{EVENTS},batch=b\\ 1,incubator=box,kind="
    assert server.stored == {
        (f"{box}batch-start,site=cellar", NOON * 10**6 + 1): 'key="",no=1i,text="Batch \\"first\\" begins\\\\"',
        (f"{box}step-due,site=cellar", NOON * 10**6 + 3): 'key="mix",no=3i,text="Due now: break up, mix."',
    }


def test_events_go_first_and_have_a_cursor_of_their_own(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror
) -> None:
    kitchen.clock(NOON)
    kitchen.read(500)
    kitchen.batch("batch-start")
    mirror = make_mirror(server.url)
    until(lambda: mirror.facts().cursor == kitchen.seq, what="all of it")
    assert server.requests == [1, 1000, 500]
    mirror.stop(5)
    assert kitchen.writer.flush(60)
    with closing(kitchen.reader()) as reader:
        assert (reader.cursor(SINK), reader.cursor(EVENT_SINK)) == (kitchen.seq, 1)


def test_events_wait_for_the_clock_too(kitchen: Kitchen) -> None:
    kitchen.clock(NOON, trusted=False)
    kitchen.batch("batch-start")
    with closing(kitchen.reader()) as reader:
        feed = Feed(reader, "cellar")
        assert feed.events(0, 10) == Parcel((), 0, "the clock was never set; rows wait until it is")
        assert feed.newest() == ()
    kitchen.clock(NOON, kind="clock")
    with closing(kitchen.reader()) as reader:
        (point,) = Feed(reader, "cellar").events(0, 10).points
    assert isinstance(point, Point) and point.fields["text"] == "batch-start"


def test_a_token_that_is_put_right_is_taken_up_without_a_restart(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror
) -> None:
    """Not there, then a wrong one, then the right one: each is said as what it is, no row is lost."""
    token: list[str] = []
    told: list[tuple[bool, str]] = []

    def secret() -> str:
        if not token:
            raise UsageError("The secret's file /etc/kojimon/token cannot be read: No such file or directory.")
        return token[0]

    server.rule = lambda lines: OK if "Token right" in server.tokens else Reply(401, "unauthorized")
    child = Process(lambda: Address(server.url, "home", "koji", secret(), 5.0))
    kitchen.clock(NOON)
    kitchen.read(10)
    mirror = make_mirror("", process=child, tell=lambda _what, ok, text: told.append((ok, text)))
    until(lambda: told, what="told that there is none")
    assert told[0] == (False, "the mirror has no token: The secret's file /etc/kojimon/token cannot be read: No such "
                       "file or directory.")  # fmt: skip
    assert child.child.lives == 0
    token.append("wrong")
    until(lambda: "refuses the token" in mirror.facts().trouble, what="refused")
    token[0] = "right"
    until(lambda: stored(server) == set(times(kitchen)), what="all of it")
    until(lambda: [ok for ok, _ in told] == [False, True], what="told that it is well again")
