"""The daemon's part that tells people: the dispatcher with what it needs of the house, and the signs of life."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path

from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.health import NotifyHealth
from kojimon.contract.night import NightCheck
from kojimon.core.turn import Present
from kojimon.daemon.house import House
from kojimon.engine.slow import key_of
from kojimon.errors import JournalError
from kojimon.journal.records import Chunk
from kojimon.journal.writing.outbox import load_tests
from kojimon.journal.writing.trouble import HUNG
from kojimon.notify.build import carriers_of
from kojimon.notify.dispatch import Around, Carrier, Dispatch, Look
from kojimon.notify.heartbeat import Heartbeat
from kojimon.notify.night_check import chain, night_check, not_passed, trials
from kojimon.settings.secrets import read_secret
from kojimon.settings.spec import Settings
from kojimon.web.api.stamps import iso_utc
from kojimon.wiring import simulated_source

TESTED = ("channels", "speaker", "probes", "sources")
"""Settings on whose change a test is made anew."""


def carriers(settings: Settings) -> list[Carrier]:
    """The channels; a simulated incubator does not sound the loudspeaker of the house."""
    if simulated_source(settings) is not None:
        return carriers_of(settings, lambda _player: "")
    return carriers_of(settings)


def alarm_keys(settings: Settings) -> list[str]:
    """Keys of the alarms that these settings may raise."""
    found: list[keys.AlarmKey] = [
        keys.BLIND, keys.BOX_OFF, keys.BOX_HOT, keys.SOON_HOT, keys.COOLING, keys.TEST, keys.Health("disk"),
    ]  # fmt: skip
    found += [keys.Silent(probe.name) for probe in settings.probes]
    for schedule in {box.schedule.name: box.schedule for box in settings.incubators}.values():
        found += [keys.Expect(one.name) for one in schedule.expectations]
        for stage in schedule.stages:
            found += [keys.Limit(one.place, one.quantity, side) for one in stage.bands for side in ("high", "low")]
            found += [key_of(watch) for watch in stage.watches]
    return [str(key) for key in dict.fromkeys(found)]


def wakers(settings: Settings) -> list[str]:
    """Names of the channels that get the first person up."""
    return [way.channel.name for way in carriers(settings) if not way.channel.second]


def standing(settings: Settings, journal: Path, now_ms: int, channels: Sequence[str]) -> NightCheck:
    """Whether the night check is passed, why not, and which tests are overdue; in words, with the tests they rest on.

    Args:
        now_ms: engine time. channels: those that get the first person up.
    """
    try:
        tests = load_tests(journal, TESTED)
    except JournalError as error:
        why = not_passed(str(error))
        return NightCheck(text=why, why=why, channels=tuple(channels))
    made = trials(tests.events, tests.deliveries)
    probe_tests = [trial for trial in made if trial.probe]
    found = night_check(made, now_ms, tests.changed_ms, channels, alarm_keys(settings), bool(settings.probes))
    return replace(
        found, chain=chain(probe_tests[-1]) if probe_tests else "", channels=tuple(channels),
        last=made[-1] if made else None,
        probe_tests={trial.probe: trial for trial in probe_tests if trial.passed},
    )  # fmt: skip


class People:
    """A part of the daemon (`daemon.run.Part`).

    Args:
        house: journal and core, not started yet.
        publish: puts a sign of life on the broker, None without one.
        page: where the page is found, "" while it is not open.
    """

    name = "notify"

    def __init__(
        self, house: House, publish: Callable[[bytes], bool] | None = None, page: Callable[[], str] = str
    ) -> None:
        self._house = house
        self._night_check = NightCheck()
        settings = house.settings
        around = Around(self._look, house.state, self._utc, house.writer.submit, house.core.health, page)
        ways = carriers(settings)
        self.dispatch = Dispatch(ways, settings.person, around, house.path)
        self._wakers = [way.channel.name for way in ways if not way.channel.second]
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

    def facts(self) -> NotifyHealth:
        """For status."""
        beat = self.heartbeat
        return dataclasses.replace(
            self.dispatch.facts(), signs_of_life=beat.sent, pings=beat.pings, night_check=self.night_check()
        )

    def night_check(self) -> NightCheck:
        """Whether the night check is passed, why not, and which tests are overdue; in words."""
        if self._house.writer.facts().trouble == HUNG:
            return replace(self._night_check, passed=False, text=not_passed(HUNG), why=not_passed(HUNG))
        self._night_check = standing(self._house.settings, self._house.path, self._house.now_ms(), self._wakers)
        return self._night_check

    def _look(self) -> Look:
        moment, state = self._house.core.moment(), self._house.core.present().state
        watching = bool(state.batches) or bool(self._house.settings.watch)
        return Look(moment.t_ms, moment.utc_ms, moment.trusted, state.alarms, watching)

    def _utc(self, t_ms: int) -> tuple[int, bool]:
        return self._house.utc_of()(t_ms)

    def _sign(self) -> dict[str, object]:
        moment = self._house.core.moment()
        return {"t_ms": moment.t_ms, "utc": iso_utc(moment.utc_ms), "trusted": moment.trusted}
