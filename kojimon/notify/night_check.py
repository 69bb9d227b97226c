"""Proof that a call reaches the person: the test before the night, the warmed probe, and when either is overdue. Pure.

Nobody may rely on a phone that was only believed to ring: a test goes the whole way and counts when it is answered
elsewhere than at the command that sent it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from msgspec.structs import replace

from kojimon.contract.events import AlarmChange
from kojimon.contract.night import NightCheck, Trial
from kojimon.journal.records import Delivery
from kojimon.model import Event, Priority
from kojimon.notify.records import FAILED, SENT
from kojimon.units import show_duration
from kojimon.words.meaning import unexplained
from kojimon.words.speech import ended, listing

ANSWER_S: Final = 300.0
COUNTS_MS: Final = 64_800_000
"""An answered test counts for 18 h: the coming night, not the one after (judgement)."""
OVERDUE_MS: Final = 30 * 86_400_000
CHAIN_S: Final = 60.0
"""From the raised alarm to a message on its way, at most."""
COMMAND: Final = ". To pass it: kojimon alarms night-check"
NOT_PASSED: Final = "Night check not passed"
NO_CHANNEL: Final = (
    "there is no channel and no loudspeaker, so alarms wake nobody. Add one under `channels:` in the settings"
)
PROBE_TEST: Final = "To do it: kojimon alarms test --probe PROBE"
NOT_THE_PHONE: Final = ("cli", "setup", "")


def trials(events: Sequence[Event], receipts: Sequence[Delivery]) -> list[Trial]:
    """The tests among the events of the alarm `test`, in order."""
    found: dict[tuple[str, int], Trial] = {}
    for event in events:
        what = event.what
        if not isinstance(what, AlarmChange):
            continue
        number = (event.incubator, what.occurrence)
        trial = found.get(number)
        if what.event == "on":
            wake = what.priority == Priority.WAKE
            calls, end = f"{event.incubator}/test#{number[1]}.", ".over"
            own = [one for one in receipts if one.message.startswith(calls) and not one.message.endswith(end)]
            raised_s = 0.0 if what.since_ms is None else (event.t_ms - what.since_ms) / 1000
            out_s, failed = _out_s(own, event.t_ms), _failed(own)
            found[number] = Trial(event.t_ms, what.probe_test, raised_s, out_s, failed, wake=wake)
        elif trial is not None and what.event == "ack":
            answered_s = (event.t_ms - trial.at_t_ms) / 1000
            passed = answered_s <= ANSWER_S and what.channel not in NOT_THE_PHONE and bool(trial.out_s)
            found[number] = replace(trial, answered_s=answered_s, who=what.who, channel=what.channel, passed=passed)
        elif trial is not None and what.event == "off":
            found[number] = replace(trial, over=True)
    return list(found.values())


def _out_s(receipts: Iterable[Delivery], raised_ms: int) -> dict[str, float]:
    first: dict[str, float] = {}
    for one in receipts:
        if one.state == SENT:
            out_s = (one.t_ms - raised_ms) / 1000
            first[one.channel] = min(out_s, first.get(one.channel, out_s))
    return dict(sorted(first.items()))


def _failed(receipts: Iterable[Delivery]) -> dict[str, str]:
    last = {one.channel: one for one in receipts}
    return {name: one.text for name, one in sorted(last.items()) if one.state == FAILED}


def night_check(
    found: Sequence[Trial], now_ms: int, changed_ms: int, channels: Sequence[str], keys: Iterable[str] = (),
    probes: bool = True,
) -> NightCheck:
    """How it stands now.

    Args:
        found: every test. changed_ms: when channels or probes last changed, engine ms.
        channels: names of the channels that may wake. keys: keys of the alarms that may come.
        probes: whether there is one to warm in the hand.
    """
    late = tuple(_late(found, now_ms, changed_ms)) if probes else ()
    passed, why, how = _passed(found, now_ms, changed_ms, channels, unexplained(keys))
    overdue = tuple(f"{one}. {PROBE_TEST}" for one in late)
    return NightCheck(passed, f"{why}{how}", why, overdue, late)


def _passed(
    found: Sequence[Trial], now_ms: int, changed_ms: int, channels: Sequence[str], bad: list[str]
) -> tuple[bool, str, str]:
    """Whether it is passed, why or why not, and the command to give."""
    if bad:
        return False, not_passed(f"no action is known for {listing(bad)}"), ""
    if not channels:
        return False, f"{NOT_PASSED}: {NO_CHANNEL}", ""
    plain = [trial for trial in found if trial.wake and trial.at_t_ms <= now_ms]
    last = plain[-1] if plain else None
    wrong, how = _wrong(last, now_ms, changed_ms)
    if wrong or last is None or last.answered_s is None:
        return False, not_passed(wrong), how
    who = f" by {last.who}" if last.who else ""
    ago = show_duration((now_ms - last.at_t_ms) / 1000 - last.answered_s)
    return True, f"Night check passed: acknowledged{who} after {show_duration(last.answered_s)}, {ago} ago", ""


def not_passed(why: str) -> str:
    """That the check before the night is not passed, and what that does not mean."""
    return f"{NOT_PASSED}: {ended(why)} Alarms still run"


def _wrong(last: Trial | None, now_ms: int, changed_ms: int) -> tuple[str, str]:
    """What is wrong ("" for nothing), and the command to give."""
    if last is None or now_ms - last.at_t_ms > COUNTS_MS:
        return "no test was acknowledged today", COMMAND
    if last.at_t_ms < changed_ms:
        return "the channels have changed since the last test", COMMAND
    if not last.out_s:
        return "the test was not sent over any channel", ". See: kojimon alarms"
    return (_unanswered(last, now_ms) if last.answered_s is None else _badly_answered(last)), ""


def _unanswered(last: Trial, now_ms: int) -> str:
    if not last.over and now_ms - last.at_t_ms <= ANSWER_S * 1000:
        return "the test is waiting; press Acknowledge on the phone"
    return "the test was not acknowledged within 5 min; does the phone's night mode let it through?"


def _badly_answered(last: Trial) -> str:
    if last.channel in NOT_THE_PHONE:
        return "the test was acknowledged at the computer; press Acknowledge on the phone"
    return "" if last.passed else "the test was acknowledged too late, after 5 min"


def _late(found: Sequence[Trial], now_ms: int, changed_ms: int) -> Iterable[str]:
    probe_tests = [trial for trial in found if trial.probe and trial.passed]
    last_ms = probe_tests[-1].at_t_ms if probe_tests else None
    if last_ms is None:
        yield "The probe-to-phone test was never done"
    elif last_ms < changed_ms:
        yield "Channels or probes have changed since the probe-to-phone test"
    elif now_ms - last_ms > OVERDUE_MS:
        days = (now_ms - last_ms) // 86_400_000
        yield f"The probe-to-phone test was last done {days} days ago"


def chain(trial: Trial) -> str:
    """How long a test from a probe took from the warm probe to the phone, in words."""
    if not trial.probe or not trial.out_s:
        return ""
    name, out_s = min(trial.out_s.items(), key=lambda pair: pair[1])
    verdict = "in time" if out_s <= CHAIN_S else "too slow (limit 60 s)"
    return f"Probe {trial.probe}: {trial.raised_s:.0f} s to raise the alarm, {out_s:.0f} s to {name}, {verdict}"
