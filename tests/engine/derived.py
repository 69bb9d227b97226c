"""A box whose probes have said something, as the state document shows it."""

from __future__ import annotations

from typing import Any

from kojimon import engine
from kojimon.contract.state import Box
from kojimon.engine import EngineSetup, IncubatorSetup, ProbeSetup
from kojimon.engine.setup import to_json
from tests.parts.inputs import input_row

SPOTS = {
    "bed": ("bed", "temperature"), "bed-2": ("bed", "temperature"), "air": ("air", "temperature"),
    "air-2": ("air", "temperature"), "damp": ("air", "humidity"), "wet": ("wet-bulb", "temperature"),
    "room": ("room", "temperature"), "room-damp": ("room", "humidity"),
}  # fmt: skip


def box(
    *, late_s: float = 0.0, pressure_pa: float = 101_325.0, **said: float | tuple[float, int] | None
) -> Box:
    """The only incubator of a view.

    Args:
        late_s: how long ago they spoke.
        pressure_pa: of the air.
        said: a value by probe; with a quality it was good 10 s before, then that; None for a probe never heard.
    """
    names = [name.replace("_", "-") for name in said]
    probes = tuple(ProbeSetup(no, name, "box", *SPOTS[name]) for no, name in enumerate(names, 1))
    setup = EngineSetup("site", (IncubatorSetup("box", "none"),), probes, {}, pressure_pa=pressure_pa)
    rows: list[Any] = [input_row(1, 0, "settings", {"hash": "a", "setup": to_json(setup)})]
    for quality in (False, True):
        for no, value in enumerate(said.values(), 1):
            now = value if isinstance(value, tuple) else (value, 0)
            if now[0] is not None and (quality or now[1]):
                rows.append((len(rows) + 1, 20_000 if quality else 10_000, no, now[0], now[1] if quality else 0))
    end_ms = 20_000 + round(late_s * 1000)
    state, _ = engine.advance(engine.initial_state(), rows, end_ms)
    return engine.view(state, end_ms).incubators[0]


def values(box: Box) -> dict[tuple[str, str], float | None]:
    """The derived values by place and name."""
    return {(row.place, row.name): row.value for row in box.derived}
