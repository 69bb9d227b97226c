"""The engine: advance(state, rows, now). Pure; nothing in here reads a clock, a file or the network."""

from kojimon.engine.advance import advance, next_due_ms
from kojimon.engine.setup import EngineSetup, IncubatorSetup, ProbeSetup
from kojimon.engine.state import State, decode, encode, initial_state
from kojimon.engine.view import view

__all__ = [
    "EngineSetup",
    "IncubatorSetup",
    "ProbeSetup",
    "State",
    "advance",
    "decode",
    "encode",
    "initial_state",
    "next_due_ms",
    "view",
]
