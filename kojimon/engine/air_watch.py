"""What is being learnt of the box's air, as the state keeps it; worked out by `engine.box_level`."""

from __future__ import annotations

from msgspec import Struct


class AirWatch(Struct, frozen=True):
    """What is being learnt at one probe.

    Attributes:
        ticks: values taken since learning began; level: their smoothed course, °C.
        start: where it began; top: the highest half hour since, both None until known.
        total, count: of the half hour that runs; before: mean of the one before it, None where there is none.
        room: of the room, measured, as the box's own level was last learnt; None where that is not known.
    """

    ticks: int = 0
    level: float = 0.0
    start: float | None = None
    top: float | None = None
    total: float = 0.0
    count: int = 0
    before: float | None = None
    room: float | None = None
