"""Proof that a call reaches the person: the test before the night, the warmed probe, and when either is overdue. Pure.

Nobody may rely on a phone that was only believed to ring: a test goes the whole way and counts when it is answered
elsewhere than at the command that sent it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import night as told
from kojimon.contract.events import AlarmChange
from kojimon.contract.night import NightCheck
from kojimon.journal.records import Delivery
from kojimon.model import Event, Priority
from kojimon.notify.records import FAILED, SENT
from kojimon.units import show_duration
from kojimon.words.meaning import unexplained
from kojimon.words.speech import ended, listing

ANSWER_MS: Final = 300_000
COUNTS_MS: Final = 64_800_000
"""An answered test counts for 18 h: the coming night, not the one after (judgement)."""
OVERDUE_MS: Final = 30 * 86_400_000
CHAIN_MS: Final = 60_000
"""From the raised alarm to a message on its way, at most."""
COMMAND: Final = ". To pass it: kojimon alarms night-check"
NOT_PASSED: Final = "Night check not passed"
NO_CHANNEL: Final = (
    "there is no channel and no loudspeaker, so alarms wake nobody. Add one under `channels:` in the settings"
)
PROBE_TEST: Final = "To do it: kojimon alarms test --probe PROBE"
NOT_THE_PHONE: Final = ("cli", "setup", "")


class Trial(Struct, frozen=True):
    """One test alarm and what came of it. Times are engine ms, -1 for never.

    Attributes:
        at_ms: when it was raised. crossed_ms: of a test from a probe, when the probe reached its limit.
        wake: whether it went the way of what gets people up.
        probe: name of the probe that was warmed, "" for a plain test.
        answered_ms, who, channel: when, by whom and through which door it was answered.
        over: whether it has ended.
        out: channels it got out on, and when.
        failed: channels on which the last attempt failed, and why.
    """

    at_ms: int
    crossed_ms: int
    wake: bool
    probe: str
    answered_ms: int = -1
    who: str = ""
    channel: str = ""
    over: bool = False
    out: tuple[tuple[str, int], ...] = ()
    failed: tuple[tuple[str, str], ...] = ()

    @property
    def passed(self) -> bool:
        """Whether somebody answered in time, elsewhere than at the command."""
        in_time = 0 <= self.answered_ms - self.at_ms <= ANSWER_MS if self.answered_ms >= 0 else False
        return in_time and self.channel not in NOT_THE_PHONE and bool(self.out)


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
            crossed_ms = event.t_ms if what.since_ms is None else what.since_ms
            found[number] = Trial(event.t_ms, crossed_ms, wake, what.probe_test, out=_out(own), failed=_failed(own))
        elif trial is not None and what.event == "ack":
            found[number] = replace(trial, answered_ms=event.t_ms, who=what.who, channel=what.channel)
        elif trial is not None and what.event == "off":
            found[number] = replace(trial, over=True)
    return list(found.values())


def _out(receipts: Iterable[Delivery]) -> tuple[tuple[str, int], ...]:
    first: dict[str, int] = {}
    for one in receipts:
        if one.state == SENT:
            first[one.channel] = min(one.t_ms, first.get(one.channel, one.t_ms))
    return tuple(sorted(first.items()))


def _failed(receipts: Iterable[Delivery]) -> tuple[tuple[str, str], ...]:
    last = {one.channel: one for one in receipts}
    return tuple(sorted((name, one.text) for name, one in last.items() if one.state == FAILED))


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
    plain = [trial for trial in found if trial.wake and trial.at_ms <= now_ms]
    last = plain[-1] if plain else None
    wrong, how = _wrong(last, now_ms, changed_ms)
    if wrong or last is None:
        return False, not_passed(wrong), how
    who = f" by {last.who}" if last.who else ""
    took = show_duration((last.answered_ms - last.at_ms) / 1000)
    ago = show_duration((now_ms - last.answered_ms) / 1000)
    return True, f"Night check passed: acknowledged{who} after {took}, {ago} ago", ""


def not_passed(why: str) -> str:
    """That the check before the night is not passed, and what that does not mean."""
    return f"{NOT_PASSED}: {ended(why)} Alarms still run"


def _wrong(last: Trial | None, now_ms: int, changed_ms: int) -> tuple[str, str]:
    """What is wrong ("" for nothing), and the command to give."""
    if last is None or now_ms - last.at_ms > COUNTS_MS:
        return "no test was acknowledged today", COMMAND
    if last.at_ms < changed_ms:
        return "the channels have changed since the last test", COMMAND
    if not last.out:
        return "the test was not sent over any channel", ". See: kojimon alarms"
    return (_unanswered(last, now_ms) if last.answered_ms < 0 else _badly_answered(last)), ""


def _unanswered(last: Trial, now_ms: int) -> str:
    if not last.over and now_ms - last.at_ms <= ANSWER_MS:
        return "the test is waiting; press Acknowledge on the phone"
    return "the test was not acknowledged within 5 min; does the phone's night mode let it through?"


def _badly_answered(last: Trial) -> str:
    if last.channel in NOT_THE_PHONE:
        return "the test was acknowledged at the computer; press Acknowledge on the phone"
    return "" if last.passed else "the test was acknowledged too late, after 5 min"


def _late(found: Sequence[Trial], now_ms: int, changed_ms: int) -> Iterable[str]:
    probe_tests = [trial for trial in found if trial.probe and trial.passed]
    last_ms = probe_tests[-1].at_ms if probe_tests else None
    if last_ms is None:
        yield "The probe-to-phone test was never done"
    elif last_ms < changed_ms:
        yield "Channels or probes have changed since the probe-to-phone test"
    elif now_ms - last_ms > OVERDUE_MS:
        days = (now_ms - last_ms) // 86_400_000
        yield f"The probe-to-phone test was last done {days} days ago"


def chain(trial: Trial) -> str:
    """How long a test from a probe took from the warm probe to the phone, in words."""
    if not trial.probe or not trial.out:
        return ""
    name, out_ms = min(trial.out, key=lambda pair: pair[1])
    raised_s, out_s = (trial.at_ms - trial.crossed_ms) / 1000, (out_ms - trial.at_ms) / 1000
    verdict = "in time" if out_ms - trial.at_ms <= CHAIN_MS else "too slow (limit 60 s)"
    return f"Probe {trial.probe}: {raised_s:.0f} s to raise the alarm, {out_s:.0f} s to {name}, {verdict}"


def shown(trial: Trial) -> told.Trial:
    """A test as others read it."""
    return told.Trial(
        at_t_ms=trial.at_ms, probe=trial.probe, raised_s=(trial.at_ms - trial.crossed_ms) / 1000,
        out_s={name: (out_ms - trial.at_ms) / 1000 for name, out_ms in trial.out}, failed=dict(trial.failed),
        answered_s=None if trial.answered_ms < 0 else (trial.answered_ms - trial.at_ms) / 1000, who=trial.who,
        channel=trial.channel, over=trial.over, passed=trial.passed,
    )  # fmt: skip
