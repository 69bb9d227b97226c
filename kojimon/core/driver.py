"""The driver's side of a driven clock: whoever simulates owns time, the daemon follows.

`begin T` moves the clock to T, so that everything that arrives bears T; `end T` waits until the announced counts have
arrived and runs the engine up to T.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from kojimon.clock import ManualClock
from kojimon.errors import KojimonError

COUNTS_S = 60.0
"""How long announced data may take to arrive, real seconds; no requirement: a busy machine may take its time."""
ENGINE_S = 30.0


class Driver:
    """Moves the clock and lets the core follow. Used by one driver at a time.

    Args:
        wait_arrived: waits for counts by source; answers what is missing (`Intake.wait_arrived`).
        run: runs the engine up to the clock; answers how many events came (`Core.run_to_present`).
    """

    def __init__(
        self,
        clock: ManualClock,
        wait_arrived: Callable[[Mapping[str, int], float], dict[str, int]],
        run: Callable[[float], int],
    ) -> None:
        self.clock, self._wait_arrived, self._run = clock, wait_arrived, run

    def begin(self, wall_ms: int) -> None:
        """The clock shows wall_ms (UTC) from now on. Raises KojimonError when that lies in the past."""
        now_ms = self.clock.wall_ms()
        if wall_ms < now_ms:
            raise KojimonError(f"begin {wall_ms}: the clock is at {now_ms} already; time runs forward only")
        self.clock.advance_to_wall(wall_ms)

    def end(self, wall_ms: int, counts: Mapping[str, int]) -> int:
        """All data of this instant are on their way. Returns how many events came of them.

        Raises KojimonError when wall_ms is not the instant begun, or announced data do not arrive.
        """
        now_ms = self.clock.wall_ms()
        if wall_ms != now_ms:
            raise KojimonError(f"end {wall_ms}: the instant that was begun is {now_ms}")
        missing = self._wait_arrived(counts, COUNTS_S)
        if missing:
            lacking = ", ".join(f"{name} {count}" for name, count in sorted(missing.items()))
            raise KojimonError(f"end {wall_ms}: not arrived within {COUNTS_S:g} s: {lacking}")
        return self._run(ENGINE_S)
