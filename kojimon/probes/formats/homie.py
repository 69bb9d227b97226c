"""The Homie convention's word on whether a device is there, beside its readings.

Homie 4.0.0, "Device lifecycle": a device keeps `homie/DEVICE/$state` retained as init, ready, disconnected, sleeping,
lost or alert; `lost` is the last will that the broker publishes for it. Homie 5 has the same below `homie/5/DEVICE`,
without alert. Readings are plain numbers at `.../NODE/PROPERTY`, so a probe's topic says which device it hangs on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from kojimon.model import Arrival, Measured, Quality
from kojimon.probes.channel import Channel

GONE: Final = {"lost": int(Quality.LOST), "disconnected": int(Quality.SIGNED_OFF)}
"""What the device's readings are from such a word on, until another comes."""
STATES: Final = ("init", "ready", "sleeping", "alert", *GONE)
LONGEST: Final = max(map(len, STATES))


def state_topic(topic: str) -> str:
    """Where the device of a probe's topic says how it is; "" where the topic is none of a Homie property."""
    parts = topic.split("/")
    size = 5 if parts[1:2] == ["5"] else 4
    plain = len(parts) == size and parts[0] == "homie" and all(parts) and not {"+", "#"} & set(parts)
    return "/".join([*parts[: size - 2], "$state"]) if plain and not parts[-1].startswith("$") else ""


class StateRoute:
    """The state of one device: `lost` and `disconnected` void the readings of its probes at once.

    What was queued up for us is taken as known, without a reading made of it: it was so at a time nobody knows.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._channels = tuple(channels)

    def take(self, arrival: Arrival, t_ms: int, counts: dict[str, int]) -> list[Measured]:
        """The verdict on each of its probes where the device has gone; nothing where it is there."""
        payload = arrival.payload if isinstance(arrival.payload, bytes) else b"?"
        word = payload[: LONGEST + 1].decode("ascii", "replace").strip().lower()
        if word and word not in STATES:
            counts["undecodable"] += 1
            return []
        verdict = GONE.get(word, 0)
        changed = [channel for channel in self._channels if channel.gone != verdict]
        for channel in changed:
            channel.gone = verdict
        return [channel.said_gone() for channel in changed] if verdict and not arrival.late else []
