"""A machine's clocks in a test's hand: what a driver never does to them, and a kitchen may."""

from __future__ import annotations

from kojimon.clock import ManualClock


class MachineClock(ManualClock):
    """A driven clock that also steps, is switched off and is set right."""

    def step_wall(self, delta_ms: int) -> None:
        """Steps the wall clock alone, as a time service or a person does."""
        with self._lock:
            self._offset_ms += delta_ms

    def reboot(self, boot_id: str, gap_ms: int, wall_ms: int | None = None) -> None:
        """A power cut of gap_ms: boot time starts again from 0, the wall clock goes on or is lost."""
        with self._lock:
            wall = self._boot_ms + self._offset_ms + gap_ms if wall_ms is None else wall_ms
            self._boot_id, self._boot_ms, self._offset_ms = boot_id, 0, wall

    def trust(self, trusted: bool = True) -> None:
        """Says whether the wall clock is known to be right."""
        self._trusted = trusted
