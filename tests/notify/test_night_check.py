"""Passed or not: a test answered on the phone in time; tests from a probe; what is overdue."""

from __future__ import annotations

from typing import Any

from kojimon.contract.night import NightCheck, Trial
from kojimon.journal.records import Delivery
from kojimon.model import Event
from kojimon.notify.night_check import COUNTS_MS, chain, night_check, trials
from tests.parts.inputs import event_row

DAY = 86_400_000
NOW = 100 * DAY


def said(no: int, t_ms: int, signal: str, number: int = 1, **data: Any) -> Event:
    facts = {"event": signal, "occurrence": number, "priority": "wake", "test": True, **data}
    return event_row(no, t_ms, "alarm", "", "", "test", facts)


def story(*signals: tuple[int, str, dict[str, Any]], out_ms: int | None = 500) -> list[Trial]:
    """Trials from (ms, signal, data), the first of which stands at 0; it got out over the phone after out_ms."""
    base = NOW - 600_000
    events = [said(no, base + t_ms, signal, **data) for no, (t_ms, signal, data) in enumerate(signals)]
    tries = [] if out_ms is None else [Delivery("/test#1.1", "phone", "sent", base + out_ms)]
    return trials(events, tries)


def stands(found: list[Trial], changed_ms: int = 0, **more: Any) -> NightCheck:
    return night_check(found, NOW, changed_ms, more.pop("channels", ["phone"]), **more)


SEEN = {"who": "anna", "channel": "page"}


def test_answered_on_the_phone_in_time_arms() -> None:
    """Requirement: a test alarm must be acked on the phone within 5 min, else the batch screen says that the
    night check is not passed."""
    found = stands(story((0, "on", {}), (40_000, "ack", SEEN), (40_000, "off", {})))
    assert found.passed
    assert found.text == "Night check passed: acknowledged by anna after 40 s, 9 min ago"


def test_without_a_probe_none_is_to_be_warmed() -> None:
    assert stands([]).overdue and stands([], probes=False).overdue == ()


def test_what_does_not_arm_says_why() -> None:
    told = {
        "never": stands([]),
        "nobody": stands(story((0, "on", {}), (300_000, "off", {"expired": True}))),
        "late": stands(story((0, "on", {}), (300_001, "ack", SEEN))),
        "computer": stands(story((0, "on", {}), (40_000, "ack", {"channel": "cli"}))),
        "not out": stands(story((0, "on", {}), (40_000, "ack", SEEN), out_ms=None)),
        "quiet one": stands(story((0, "on", {"priority": "tell"}), (40_000, "ack", SEEN))),
        "no channel": stands(story((0, "on", {}), (40_000, "ack", SEEN)), channels=[]),
        "changed": stands(story((0, "on", {}), (40_000, "ack", SEEN)), changed_ms=NOW - 1000),
        "unknown alarm": stands(story((0, "on", {}), (40_000, "ack", SEEN)), keys=["noise/fan"]),
    }
    assert not any(found.passed for found in told.values())
    assert all(found.text.startswith("Night check not passed: ") for found in told.values())
    for name, words in {
        "never": "no test was acknowledged today", "nobody": "not acknowledged", "late": "too late",
        "computer": "at the computer", "not out": "was not sent", "quiet one": "no test was acknowledged",
        "no channel": "no channel and no loudspeaker", "changed": "have changed", "unknown alarm": "noise/fan",
    }.items():  # fmt: skip
        assert words in told[name].text, name


def test_a_test_under_way_waits() -> None:
    base = NOW - 60_000
    found = trials([said(1, base, "on")], [Delivery("/test#1.1", "phone", "sent", base)])
    assert "the test is waiting" in night_check(found, NOW, 0, ["phone"]).text


def test_a_test_arms_one_night_only() -> None:
    found = story((0, "on", {}), (40_000, "ack", SEEN))
    assert night_check(found, NOW + COUNTS_MS - 600_001, 0, ["phone"]).passed
    assert not night_check(found, NOW + COUNTS_MS, 0, ["phone"]).passed


def probe_test(days_ago: int) -> list[Trial]:
    at = NOW - days_ago * DAY
    return trials(
        [said(1, at, "on", probe_test="koji-top", since_ms=at - 20_000), said(2, at + 9000, "ack", **SEEN)],
        [Delivery("/test#1.1", "phone", "sent", at + 2000), Delivery("/test#1.1", "mail", "sent", at + 4000)],
    )


def test_a_bump_test_is_overdue_after_thirty_days_or_a_change() -> None:
    """Requirement: overdue > 30 days or since last config change = warning at batch start."""
    assert stands(probe_test(29)).overdue == ()
    assert "31 days ago" in stands(probe_test(31)).overdue[0]
    assert "have changed" in stands(probe_test(5), changed_ms=NOW - 4 * DAY).overdue[0]
    assert "never done" in stands([]).overdue[0]
    computer = story((0, "on", {"probe_test": "koji-top"}), (9000, "ack", {"channel": "cli"}))
    assert "never done" in stands(computer).overdue[0], "who sits at the computer has not been woken"


def test_the_chain_of_a_bump_test_is_timed_from_probe_to_phone() -> None:
    """Requirement: the whole chain probe -> phone is done in on-delay + 60 s."""
    assert chain(probe_test(1)[0]) == "Probe koji-top: 20 s to raise the alarm, 2 s to phone, in time"
    slow = Trial(0, "koji-top", 20.0, {"phone": 61.0}, {}, 90.0, "anna", "page", True)
    assert chain(slow).endswith("too slow (limit 60 s)")
