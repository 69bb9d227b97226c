"""The daemon's part that tells people: the dispatcher with what it needs of the house, and the signs of life."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from kojimon.core.turn import Present
from kojimon.daemon.house import House
from kojimon.journal.records import Chunk
from kojimon.notify.build import carriers_of, quiet_of
from kojimon.notify.dispatch import Around, Carrier, Dispatch, Look
from kojimon.notify.heartbeat import Heartbeat
from kojimon.settings.secrets import read_secret
from kojimon.settings.spec import Settings
from kojimon.web.words import iso_utc
from kojimon.wiring import simulated_source


def carriers(settings: Settings) -> list[Carrier]:
    """The channels; a simulated incubator does not sound the loudspeaker of the house."""
    if simulated_source(settings) is not None:
        return carriers_of(settings, lambda _player: "")
    return carriers_of(settings)


class People:
    """A part of the daemon (`daemon.run.Part`).

    Args:
        house: journal and core, not started yet.
        publish: puts a sign of life on the broker, None without one.
    """

    name = "notify"

    def __init__(self, house: House, publish: Callable[[bytes], bool] | None = None) -> None:
        self._house = house
        settings = house.settings
        around = Around(self._look, house.state, self._utc, house.writer.submit, house.core.health)
        self.dispatch = Dispatch(carriers(settings), quiet_of(settings.person), around, house.path)
        ping = settings.heartbeat.ping
        self.heartbeat = Heartbeat(
            settings.heartbeat.every_s,
            house.writer.submit,
            publish,
            (lambda: read_secret(ping)) if ping is not None else None,
            house.core.health,
            self._sign,
        )
        house.outgoing.append(self.dispatch.submitted)

    def start(self) -> None:
        """Goes on with what is still to be told."""
        self.dispatch.start()
        self.heartbeat.start()

    def stop(self, timeout_s: float) -> bool:
        """Ends senders and signs of life. Whether all ended in time."""
        self.heartbeat.stop()
        return self.dispatch.stop(timeout_s)

    def committed(self, chunk: Chunk, present: Present) -> None:
        """A chunk is on the disk."""
        self.dispatch.committed(chunk, present)
        self.heartbeat.committed(chunk)

    def facts(self) -> dict[str, Any]:
        """For status."""
        return {**self.dispatch.facts(), "signs_of_life": self.heartbeat.sent, "pings": self.heartbeat.pings}

    def _look(self) -> Look:
        moment, state = self._house.core.moment(), self._house.core.present().state
        watching = bool(state.batches) or bool(self._house.settings.watch)
        return Look(moment.t_ms, moment.utc_ms, moment.trusted, state.alarms, watching)

    def _utc(self, t_ms: int) -> tuple[int, bool]:
        return self._house.utc_of()(t_ms)

    def _sign(self) -> dict[str, Any]:
        moment = self._house.core.moment()
        return {"t_ms": moment.t_ms, "utc": iso_utc(moment.utc_ms), "trusted": moment.trusted}
