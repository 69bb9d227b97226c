"""A lane and the process that sends for it: every channel hears how it went, of this message and of no other."""

from __future__ import annotations

import sys

import pytest

from kojimon.notify.asked import Command, Request
from kojimon.notify.lane import Job, Lane
from tests.parts.wait import until

OLD, DONE = '{"no":0,"channel":"phone","wrong":"of an earlier one"}', '{"no":1,"done":true}'
SENT = '{"no":1,"channel":"phone"}'


@pytest.mark.parametrize(
    ("answers", "heard"),
    [((OLD, SENT, DONE), ""), ((DONE,), "the sender said nothing about it"), ((), "the sender ended unexpectedly")],
    ids=["late answer", "no answer", "dead"],
)
def test_each_channel_hears_once_how_it_went(answers: tuple[str, ...], heard: str) -> None:
    told: list[tuple[str, str]] = []
    sender = "import sys; input(); [print(line, flush=True) for line in sys.argv[1:]]; sys.argv[1:] and input()"
    lane = Lane("wake", lambda: None, argv=(sys.executable, "-c", sender, *answers))
    lane.start()
    lane.put(Job(Request("send", (Command("phone", ("siren",), 1.0),)), lambda name, wrong: told.append((name, wrong))))
    until(lambda: not lane.busy)
    assert lane.stop()
    ((channel, wrong),) = told
    assert channel == "phone" and wrong.startswith(heard) and bool(wrong) == bool(heard)
