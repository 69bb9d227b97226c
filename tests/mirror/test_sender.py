"""The mirror through its real child process against a stand-in that answers as told."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import closing

import pytest

from kojimon.journal.records import Chunk
from kojimon.mirror.answers import NO_SECRET, Answer, Meaning, advice, meaning
from kojimon.mirror.child import Address
from kojimon.mirror.feed import Feed
from kojimon.mirror.process import Process
from kojimon.mirror.sender import SINK, Mirror
from tests.mirror.kitchen import Kitchen
from tests.mirror.standin import OK, Reply, StandIn
from tests.parts.wait import until

NOON = 1_780_000_000_000
MakeMirror = Callable[..., Mirror]


def expected(kitchen: Kitchen) -> set[int]:
    """Times (ns) of every reading in the journal."""
    with closing(kitchen.reader()) as reader:
        return {point.time_ns for point in Feed(reader, "cellar").next(0, 10**6).points}


def stored(server: StandIn) -> set[int]:
    return {ns for _, ns in server.stored}


def all_there(kitchen: Kitchen, server: StandIn) -> bool:
    return stored(server) == expected(kitchen) and len(server.stored) == len(expected(kitchen))


@pytest.mark.parametrize(
    ("answer", "wanted"),
    [
        (Answer(204, ""), Meaning.STORED), (Answer(200, ""), Meaning.STORED),
        (Answer(0, "refused"), Meaning.OUTAGE), (Answer(503, ""), Meaning.OUTAGE),
        (Answer(500, "panic"), Meaning.OUTAGE),
        (Answer(429, ""), Meaning.OUTAGE), (Answer(408, ""), Meaning.OUTAGE),
        (Answer(401, ""), Meaning.FAULT), (Answer(403, ""), Meaning.FAULT), (Answer(404, ""), Meaning.FAULT),
        (Answer(413, ""), Meaning.TOO_LARGE), (Answer(400, "unable to parse"), Meaning.POISON),
        (Answer(422, ""), Meaning.POISON), (Answer(500, "partial write: field type conflict"), Meaning.POISON),
        (Answer(500, "partial write: points beyond retention"), Meaning.EXPIRED),
        (Answer(422, "points outside retention policy dropped=3"), Meaning.EXPIRED),
        (Answer(NO_SECRET, "not there"), Meaning.FAULT),
    ],
)  # fmt: skip
def test_answers_are_told_apart(answer: Answer, wanted: Meaning) -> None:
    assert meaning(answer) is wanted


def test_a_person_is_told_what_to_look_at() -> None:
    assert (
        advice(Answer(401, "unauthorized"))
        == "the mirror's server refuses the token (unauthorized); check mirror.token"
    )
    assert "no such bucket" in advice(Answer(404, "")) and "does not answer" in advice(Answer(0, ""))


def test_everything_arrives_once_oldest_first(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    kitchen.clock(NOON)
    kitchen.read(500)
    mirror = make_mirror(server.url)
    until(lambda: all_there(kitchen, server), what="the backlog")
    assert server.requests == [1000, 500], "one request a parcel"
    assert server.queries[0] == {"org": ["home"], "bucket": ["koji"], "precision": ["ns"]}
    assert server.tokens == {"Token secret-token"}
    kitchen.read(1)
    mirror.committed(Chunk(readings=[(kitchen.seq, kitchen.t_ms, 1, 30.0, None, 0)]))
    until(lambda: all_there(kitchen, server), what="the new rows")
    assert mirror.facts().sent == 1503 and mirror.facts().started == 1


def test_an_outage_loses_and_doubles_nothing(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    """503, then no answer, then a connection cut after the lines were stored, then well."""
    replies = [Reply(503), Reply(0), Reply(0, keep=True), Reply(429, "slow down", retry_after="0")]
    server.rule = lambda lines: replies.pop(0) if replies else OK
    kitchen.clock(NOON)
    kitchen.read(100)
    mirror = make_mirror(server.url)
    until(lambda: all_there(kitchen, server) and not mirror.facts().trouble, what="all of it")
    assert server.requests == 5 * [300] and not replies


def test_what_the_server_says_comes_back(kitchen: Kitchen, server: StandIn) -> None:
    kitchen.clock(NOON)
    kitchen.read(1)
    child = Process(lambda: Address(server.url, "o", "b", "t", 5.0))
    with closing(kitchen.reader()) as reader:
        points = Feed(reader, "cellar").next(0, 10).points
    server.rule = lambda lines: Reply(429, "slow down, °F or not", retry_after="120")
    assert child.ask(points) == Answer(429, "slow down, °F or not", 120.0)
    server.rule = lambda lines: OK
    assert child.ask(points) == Answer(204, "")
    child.child.end()


def test_a_wrong_token_is_told_at_once_and_rows_are_kept(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror
) -> None:
    told: list[tuple[str, bool, str]] = []
    server.rule = lambda lines: Reply(401, '{"code":"unauthorized"}')
    kitchen.clock(NOON)
    kitchen.read(10)
    mirror = make_mirror(server.url, tell=lambda *facts: told.append(facts))
    until(lambda: told, what="told")
    assert told[0][:2] == ("mirror", False) and "refuses the token" in told[0][2] and "secret-token" not in told[0][2]
    until(lambda: len(server.requests) > 2, what="looked again")
    assert len(told) == 1 and mirror.facts().cursor == 0
    server.rule = lambda lines: OK
    until(lambda: all_there(kitchen, server), what="all of it")
    until(lambda: len(told) == 2, what="told that it works again")
    assert told[1] == ("mirror", True, "the mirror takes rows again")


def test_too_large_is_sent_in_halves(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    server.rule = lambda lines: Reply(413, "too large") if len(lines) > 60 else OK
    kitchen.clock(NOON)
    kitchen.read(100)
    mirror = make_mirror(server.url)
    until(lambda: all_there(kitchen, server), what="all of it")
    assert mirror.facts().set_aside == 0


@pytest.mark.parametrize("keeps_the_rest", [True, False])
def test_one_poison_line_is_set_aside_and_blocks_nothing(
    kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror, keeps_the_rest: bool
) -> None:
    """The server refuses the whole request, or stores the others and says partial: either way all others arrive."""
    kitchen.clock(NOON)
    kitchen.read(100)
    bad_ns = sorted(expected(kitchen))[133]

    def rule(lines: list[str]) -> Reply:
        if not any(line.endswith(f" {bad_ns}") for line in lines):
            return OK
        if keeps_the_rest:
            server.keep([line for line in lines if not line.endswith(f" {bad_ns}")])
        return Reply(400, "partial write: field type conflict dropped=1")

    server.rule = rule
    mirror = make_mirror(server.url)
    until(lambda: stored(server) == expected(kitchen) - {bad_ns}, what="all the others")
    until(lambda: mirror.facts().set_aside == 1, what="set aside")
    rows = kitchen.writer.run(lambda db: db.execute("SELECT sink, text FROM quarantine").fetchall())
    assert rows == [(SINK, "400 partial write: field type conflict dropped=1")]
    assert len(server.requests) < 40, "found by halving"


def test_it_goes_on_where_it_was_after_a_restart(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    kitchen.clock(NOON)
    kitchen.read(50)
    first = make_mirror(server.url)
    until(lambda: all_there(kitchen, server), what="the first rows")
    until(lambda: first.facts().cursor == kitchen.seq, what="the cursor")
    assert first.stop(5)
    assert kitchen.writer.flush(60)
    kitchen.read(50)
    server.requests.clear()
    make_mirror(server.url)
    until(lambda: all_there(kitchen, server), what="the rest")
    assert server.requests == [150], "nothing was sent again"


def test_no_server_at_all_then_one(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    kitchen.clock(NOON)
    kitchen.read(10)
    late = StandIn()
    late.close()
    mirror = make_mirror(late.url)
    until(lambda: mirror.facts().requests >= 2, what="two tries")
    assert "does not answer" in mirror.facts().trouble and mirror.facts().cursor == 0
    mirror.stop(5)
    make_mirror(server.url)
    until(lambda: all_there(kitchen, server), what="all of it")


def test_a_child_that_hangs_or_dies_is_replaced(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    server.rule = lambda lines: Reply(-1)
    kitchen.clock(NOON)
    kitchen.read(10)
    address = Address(server.url, "home", "koji", "t", 60.0)
    child = Process(lambda: address, limit_s=60.0)
    mirror = make_mirror("", process=child)
    until(lambda: server.requests, what="the first request")
    child.child.limit_s = 1.0
    os.kill(child.child.pid or 0, signal.SIGKILL)
    until(lambda: child.child.lives >= 2, what="a new child after its death")
    until(lambda: child.child.lives >= 3, what="a new child after one that hung")
    child.child.limit_s = 60.0  # it has its libraries to load
    server.rule = lambda lines: OK
    until(lambda: all_there(kitchen, server), what="all of it")
    assert mirror.facts().set_aside == 0


def test_stop_does_not_wait_for_a_hanging_server(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    server.rule = lambda lines: Reply(-1)
    kitchen.clock(NOON)
    kitchen.read(10)
    mirror = make_mirror(server.url)
    until(lambda: server.requests, what="the first request")
    assert mirror.stop(2.0)


def test_the_child_ends_with_its_parent(server: StandIn) -> None:
    child = Process(lambda: Address(server.url, "o", "b", "t", 5.0))
    assert child.ask([]).status in (0, 204, 400)
    running = child.child._process
    assert running is not None and running.stdin is not None
    running.stdin.close()
    until(lambda: running.poll() is not None, what="end of input ends it")
    assert running.returncode == 0
    child.child.end()


def test_a_child_that_cannot_start_is_an_answer() -> None:
    child = Process(dict, command=[sys.executable, "-c", "raise SystemExit(3)"])
    answer = child.ask([])
    assert answer == Answer(0, "the mirror's process ended unexpectedly (code 3)")


def test_rows_that_wait_for_the_clock_are_said(kitchen: Kitchen, server: StandIn, make_mirror: MakeMirror) -> None:
    kitchen.clock(NOON, trusted=False)
    kitchen.read(3)
    mirror = make_mirror(server.url)
    until(lambda: "clock was never set" in mirror.facts().waiting, what="said")
    assert server.requests == []
    kitchen.clock(NOON, kind="clock")
    until(lambda: all_there(kitchen, server), what="all of it")
