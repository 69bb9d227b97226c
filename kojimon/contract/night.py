"""Whether the way from the alarm to the phone was tried and worked, as the health of the daemon says it."""

from __future__ import annotations

from msgspec import Struct


class Trial(Struct, frozen=True):
    """A test of the way to the phone. Seconds count from the raised alarm.

    Attributes:
        probe: the one that was warmed, "" for none. raised_s: from the warm probe to the alarm.
        out_s: until it was on its way, by channel. failed: why it did not get out, by channel.
        answered_s: None where nobody has; who, channel: by whom and through which door. over: it has ended.
        passed: somebody answered in time, elsewhere than at the command. wake: it went the way of what wakes.
    """

    at_t_ms: int
    probe: str
    raised_s: float
    out_s: dict[str, float]
    failed: dict[str, str]
    answered_s: float | None = None
    who: str = ""
    channel: str = ""
    over: bool = False
    passed: bool = False
    wake: bool = True


class NightCheck(Struct, frozen=True):
    """How it stands.

    Attributes:
        passed: whether the night check is passed. text, overdue: in words, with the command to give.
        why, late: the same for who has buttons instead. chain: the last test with a warmed probe, in words.
        channels: those that get the first person up. last: the last test. probe_tests: the last good one by probe.
    """

    passed: bool = False
    text: str = ""
    why: str = ""
    overdue: tuple[str, ...] = ()
    late: tuple[str, ...] = ()
    chain: str = ""
    channels: tuple[str, ...] = ()
    last: Trial | None = None
    probe_tests: dict[str, Trial] = {}
