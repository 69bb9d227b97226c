"""From when on a reading or a probe is not to be believed: the thresholds of the live tests and their defaults."""

from __future__ import annotations

from msgspec import Struct
from msgspec.structs import asdict, replace

from kojimon.model import Place, Quantity
from kojimon.settings.spec import Probe


class Limits(Struct, frozen=True):
    """Thresholds for one probe, in K or % and seconds.

    Attributes:
        spike: step from the last believed reading that one reading may make, over what `rate_per_min` allows.
        rate_per_min: fastest change that a probe in this place follows.
        stuck_s: unchanged for so long, while others moved, is stuck; 0 switches the test off.
        stuck_others: how far others must have moved meanwhile, K; three of the probe's own steps at least.
        pinned_s: humidity at its upper end for so long is a wet sensor; 0 switches the test off.
        drift: difference from a probe beside it, over both tolerances, that is drift.
        drift_s: for how long.
    """

    spike: float
    rate_per_min: float
    stuck_s: float = 1800.0
    stuck_others: float = 0.8
    pinned_s: float = 3600.0
    drift: float = 0.3
    drift_s: float = 1200.0


BED = Limits(spike=3.0, rate_per_min=8.0)
"""Koji in a tray: mixing takes 1 to 8 K away within minutes, a tip in a sheath follows in half a minute or more."""
AIR = Limits(spike=4.0, rate_per_min=15.0)
"""Air of the box: an open lid takes 5 to 10 K away within a minute or two."""
HUMIDITY = Limits(spike=15.0, rate_per_min=40.0, drift=3.0)
"""15 % in one step is what weather services let pass between two readings (practice quoted with WMO guidance)."""


def limits_of(probe: Probe) -> Limits:
    """Thresholds for a probe: its own where the settings give them.

    The defaults are judgement, kept by the simulated batches of the tests: weather services use 0.3 to 3 K a minute
    for the same idea, far below what an open lid does in a box.
    """
    usual = HUMIDITY if probe.quantity == Quantity.HUMIDITY else BED if probe.place == Place.BED else AIR
    own = {name: value for name, value in asdict(probe.judge).items() if value is not None}
    return replace(usual, **own) if own else usual
