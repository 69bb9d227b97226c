"""The settings as JSON, for the journal and the copy of the last good ones. Tells where secrets are, never one."""

from __future__ import annotations

import msgspec

from kojimon.contract import earlier
from kojimon.settings.spec import Settings


def to_json(settings: Settings) -> bytes:
    """The settings as JSON; equal settings give equal bytes."""
    return msgspec.json.encode(settings, order="sorted")


def from_json(data: bytes) -> Settings:
    """The settings from their JSON. Raises msgspec.ValidationError or msgspec.DecodeError when it is something else."""
    if earlier.holds(data):
        data = msgspec.json.encode(earlier.plain(msgspec.json.decode(data)))
    return msgspec.json.decode(data, type=Settings)
