"""Many alarms at once, or one that comes and goes: recognised from the times of activations. Pure.

Flood: over 10 activations in 10 min begin it, fewer than 5 in the last 10 min end it (ANSI/ISA-18.2-2016, 16.4.4, as
quoted in free texts). Chatter: 3 activations of one alarm within a minute.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from msgspec import Struct

FLOOD_MS = 600_000
FLOOD_OVER = 10
FLOOD_UNDER = 5
CHATTER_MS = 60_000
CHATTER_TIMES = 3
CALM_MS = 600_000
"""An alarm that chattered counts as calm again after so long without an activation (judgement)."""


class Flood(Struct, frozen=True):
    """A stretch of too many alarms, engine ms; end_ms -1 while it lasts."""

    begin_ms: int
    end_ms: int = -1


def floods(times_ms: Sequence[int], now_ms: int) -> list[Flood]:
    """The floods among activations.

    Args:
        times_ms: activations of all alarms in order, engine ms, none later than now_ms.

    Returns:
        Floods in order; a flood ends when a 10-minute window with fewer than 5 activations is reached.
    """
    found: list[Flood] = []
    begin_ms = -1
    for index, t_ms in enumerate(times_ms):
        if begin_ms >= 0 and (end_ms := _thin_ms(times_ms, begin_ms, index)) < t_ms:
            found.append(Flood(begin_ms, end_ms))
            begin_ms = -1
        if begin_ms < 0 and _count(times_ms, t_ms, index + 1) > FLOOD_OVER:
            begin_ms = t_ms
    if begin_ms >= 0:
        end_ms = _thin_ms(times_ms, begin_ms, len(times_ms))
        found.append(Flood(begin_ms, end_ms if end_ms <= now_ms else -1))
    return found


def _count(times_ms: Sequence[int], at_ms: int, count: int) -> int:
    """How many of the first `count` lie in the 10 min up to a moment."""
    return count - bisect_right(times_ms, at_ms - FLOOD_MS, 0, count)


def _thin_ms(times_ms: Sequence[int], begin_ms: int, count: int) -> int:
    """When the last 10 min first hold fewer than 5 activations, if none come after the first `count`."""
    return max(begin_ms, times_ms[count - FLOOD_UNDER] + FLOOD_MS) if count >= FLOOD_UNDER else begin_ms


def chatter_heads(times_ms: Sequence[int]) -> list[int]:
    """For each activation of one alarm the index of the one at which it was found to chatter; -1 where it does not.

    Args:
        times_ms: activations of the alarm in order, engine ms.
    """
    heads: list[int] = []
    head = -1
    for index, t_ms in enumerate(times_ms):
        if head >= 0 and t_ms - times_ms[index - 1] > CALM_MS:
            head = -1
        third = index - CHATTER_TIMES + 1
        if head < 0 and third >= 0 and t_ms - times_ms[third] <= CHATTER_MS:
            head = index
        heads.append(head)
    return heads
