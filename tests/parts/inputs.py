"""Inputs and events for tests, written as the journal has them."""

from __future__ import annotations

from typing import Any

import msgspec

from kojimon.contract.events import Fact, plain
from kojimon.contract.events import read as read_event
from kojimon.contract.inputs import read
from kojimon.model import Event, InputRow


def input_row(seq: int, t_ms: int, kind: str, payload: Any) -> InputRow:
    """An input row from its kind and what its JSON is made of."""
    return InputRow(seq, t_ms, read(kind, msgspec.json.encode(payload)))


class Facts(dict[str, Any]):
    """What an event says, as JSON has it; what stands at its default is left out and found all the same."""

    def __init__(self, what: Fact) -> None:
        super().__init__(msgspec.json.decode(msgspec.json.encode(plain(what))))
        self._what = what

    def __missing__(self, name: str) -> Any:
        fields = {one.encode_name: one.name for one in msgspec.structs.fields(self._what)}
        return msgspec.json.decode(msgspec.json.encode(getattr(self._what, fields[name])))

    def get(self, name: str, default: Any = None) -> Any:
        """The field; where it stands at its default, that."""
        try:
            return self[name]
        except KeyError:
            return default


def says(event: Event) -> Facts:
    """What an event says."""
    return Facts(event.what)


def event_row(no: int, t_ms: int, kind: str, incubator: str, batch: str, key: str, data: Any) -> Event:
    """An event from its kind and what its JSON is made of."""
    return Event(no, t_ms, incubator, batch, key, read_event(kind, msgspec.json.encode(data)))
