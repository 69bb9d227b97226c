"""What every source of readings offers, and the worker most of them are built on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from kojimon.clock import Clock
from kojimon.contract.health import SourceHealth
from kojimon.links.worker import Worker
from kojimon.model import Arrival

Put = Callable[[Arrival], bool]
"""Takes an arrival; False when something was dropped for it (or, for the waiting kind, when it was not taken)."""


class SourceLink(Protocol):
    """A source of readings. It only reads and hands over; it never decodes, judges or waits for the core."""

    name: str

    def start(self, put: Put, put_wait: Put) -> None:
        """Begins to read. `put` never blocks; `put_wait` blocks until there is room (for what must not be lost)."""

    def stop(self) -> None:
        """Ends reading within 2 s; a thread that hangs in a driver is abandoned."""

    def heartbeat_s(self) -> float:
        """Real time of the last sign of life of the worker itself (not of the device)."""

    def committed(self, receipts: list[int]) -> None:
        """These receipts' readings are on the disk. Unknown receipts are other sources' and are passed over."""

    def facts(self) -> SourceHealth:
        """For status."""


def nowhere(arrival: Arrival) -> bool:
    """Takes nothing: before a source is started."""
    return False


class SourceWorker(Worker):
    """A worker that hands over arrivals.

    Args:
        name: the source's name in the settings.
        clock: world time, for stamping arrivals.
    """

    def __init__(self, name: str, clock: Clock) -> None:
        super().__init__(name)
        self._clock = clock
        self._put: Put = nowhere
        self._put_wait: Put = nowhere
        self._arrived = self._dropped = 0

    def start(self, put: Put, put_wait: Put) -> None:
        """See SourceLink."""
        self.stop()
        self._put, self._put_wait = put, put_wait
        self.run()

    def committed(self, receipts: list[int]) -> None:
        """Nothing to do: most links want no receipt."""

    def facts(self) -> SourceHealth:
        """See SourceLink."""
        return SourceHealth(**vars(super().facts()), arrived=self._arrived, dropped=self._dropped)

    def _hand(self, arrival: Arrival) -> None:
        self._arrived += 1
        self._proved()
        if not self._put(arrival):
            self._dropped += 1
