"""Rows of lists that a door gives: batches and probes. `*_utc` as in `contract.state`."""

from __future__ import annotations

from msgspec import Struct

from kojimon.contract.values import Probe


class Batch(Struct, frozen=True):
    """A batch.

    Attributes:
        hour0_t_ms: when the spores went on; None before.
        ended_t_ms: None while it is open. outcome: "" while it is open, then `harvest` or `discard`.
    """

    id: str
    incubator: str
    name: str
    schedule: str
    rice_kg: float | None
    started_t_ms: int
    hour0_t_ms: int | None = None
    ended_t_ms: int | None = None
    outcome: str = ""
    yield_kg: float | None = None
    note: str = ""
    started_utc: str = ""
    hour0_utc: str | None = None
    ended_utc: str | None = None


class ListedProbe(Probe, frozen=True, kw_only=True):
    """A probe with its box, where it is found, and what it said last.

    Attributes:
        raw, raw_age_s: the last one read, before any calibration and whatever the verdict on it, and seconds since;
            None where no daemon runs.
        expect_every_s: how often it speaks by the settings; None where they do not know it.
        calibrated: day of the calibration in force, "" without one. calibration_old: that is long ago.
    """

    incubator: str
    raw: float | None = None
    raw_age_s: float | None = None
    source: str = ""
    topic: str = ""
    key: str = ""
    device: str = ""
    expect_every_s: float | None = None
    calibrated: str = ""
    calibration_old: bool = False
