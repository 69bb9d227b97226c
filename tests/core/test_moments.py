"""Moments that people give: how long ago, or a time of day; where the clock cannot be trusted, only how long ago."""

from datetime import UTC, datetime
from typing import Any

import pytest
from msgspec import to_builtins

from kojimon.contract.acts import PlainAct
from kojimon.core.acts import LONGEST_AGO_MS, Calendar, Moment, resolve_moments
from kojimon.core.fields import checked
from kojimon.errors import RefusedError

UTC_MS = round(datetime(2026, 1, 31, 14, 40, tzinfo=UTC).timestamp() * 1000)
NOW = Moment(t_ms=50_000_000, boot_t0_ms=40_000_000, utc_ms=UTC_MS, trusted=True)


class Shifted:
    """Stamps of a journal whose earlier boot lay an hour further back than engine time says."""

    def t_ms(self, utc_ms: int) -> int | None:
        return NOW.t_ms - (NOW.utc_ms - utc_ms) + 3_600_000


def resolved(now: Moment = NOW, calendar: Calendar | None = None, **data: Any) -> dict[str, Any]:
    kind = "batch.start" if "hour0_ago_s" in data else "step.done"
    done = resolve_moments(checked(PlainAct(kind, "box", data=data)), now, lambda: calendar).deed
    return to_builtins(done)  # type: ignore[no-any-return]


def test_ago_becomes_engine_time() -> None:
    assert resolved(step="mix", at_ago_s=1200) == {"step": "mix", "at_t_ms": NOW.t_ms - 1_200_000}


@pytest.mark.parametrize("text", ["2026-01-31T14:20:00Z", "2026-01-31T15:20:00+01:00", "2026-01-31T06:20:00-08:00"])
def test_a_time_with_its_zone_becomes_engine_time(text: str) -> None:
    assert resolved(at_utc=text) == {"at_t_ms": NOW.t_ms - 20 * 60_000}


def test_engine_time_is_left_alone_and_absence_too() -> None:
    assert resolved(at_t_ms=123) == {"at_t_ms": 123}
    assert resolved(step="mix", at_utc=None) == {"step": "mix"}


def test_hour_zero_is_a_moment_too() -> None:
    assert resolved(hour0_ago_s=3600.0) == {"hour0_t_ms": NOW.t_ms - 3_600_000}


def test_before_this_boot_the_gaps_count() -> None:
    ago_ms = NOW.t_ms - NOW.boot_t0_ms + 60_000
    assert resolved(calendar=Shifted(), at_ago_s=ago_ms / 1000)["at_t_ms"] == NOW.t_ms - ago_ms + 3_600_000
    untrusted = NOW._replace(trusted=False)
    assert resolved(untrusted, Shifted(), at_ago_s=ago_ms / 1000)["at_t_ms"] == NOW.t_ms - ago_ms


def test_a_time_of_day_is_refused_while_the_clock_is_not_set() -> None:
    with pytest.raises(RefusedError, match=r"clock of this computer is not set.*say how long ago"):
        resolved(NOW._replace(trusted=False), at_utc="2026-01-31T14:20:00Z")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"at_utc": "14:20"}, "expected a time with its zone"),
        ({"at_utc": "2026-01-31T14:20:00"}, "expected a time with its zone"),
        ({"at_utc": "2026-01-31T14:50:00Z"}, "lies in the future"),
        ({"at_ago_s": -1}, "lies in the future"),
        ({"at_ago_s": "20 min"}, "is no number"),
        ({"at_ago_s": True}, "is no number"),
        ({"at_ago_s": float("nan")}, "is no number"),
        ({"at_ago_s": float("inf")}, "is too much"),
        ({"at_ago_s": LONGEST_AGO_MS / 1000 + 1}, "more than 60 days ago"),
        ({"at_ago_s": 60, "at_t_ms": 5}, "expected one of them"),
        ({"at_ago_s": 60, "at_utc": "2026-01-31T14:20:00Z"}, "expected one of them"),
    ],
)
def test_what_is_no_moment_is_refused(data: dict[str, Any], words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        resolved(**data)
