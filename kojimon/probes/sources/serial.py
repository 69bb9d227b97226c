"""Readings from a serial port, one a line."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Final

from kojimon.clock import Clock, real_s
from kojimon.contract.health import SerialHealth
from kojimon.errors import LinkError
from kojimon.links.serial_port import SerialPort
from kojimon.model import Arrival
from kojimon.probes.formats.lines import LineBuffer
from kojimon.probes.formats.routes import FIRST_LINE
from kojimon.probes.sources.worker import SourceWorker
from kojimon.settings.spec import SerialSource

MUTE_S: Final = 300.0
"""A port that sent no whole line for so long is opened again: an adapter can stay listed and say nothing. Doubled
each time in a row, since opening resets many boards."""
MUTE_LONGEST_S: Final = 3600.0
LOOK_EVERY_S: Final = 1.0
"""How often the path is checked for leading elsewhere."""


class SerialLines(SourceWorker):
    """Reads whole lines from a port and hands them over as they are.

    Lines before the first line end after opening, over-long ones and binary rubbish are counted, never handed over
    as readings; a CSV source without named columns hands over its first line marked as such, for column names only.
    """

    kind = "serial"

    def __init__(self, settings: SerialSource, clock: Clock) -> None:
        super().__init__(settings.name, clock)
        self._settings = settings
        self._lines = LineBuffer()
        self._wants_header = settings.format == "csv" and not settings.columns
        self._mute_s = MUTE_S
        self._muted = 0
        self._muted_now = False
        self._port: SerialPort | None = None

    def facts(self) -> SerialHealth:
        """See SourceLink."""
        own = {**vars(super().facts()), **self._lines.counts}
        return SerialHealth(**own, mute=self._muted, advice=self._advice())

    def _advice(self) -> str:
        name = Path(self._settings.port).name
        if name.startswith(("ttyUSB", "ttyACM")):
            return f"{name} may be another device after the next plugging; use its name in /dev/serial/by-id"
        return ""

    def _session(self, stop: threading.Event) -> None:
        port = self._port = SerialPort(self._settings.port, self._settings.baud)
        try:
            self._lines.restart()
            if not self._muted_now:
                self._up()
            self._read(port, stop)
        finally:
            self._port = None
            port.close()

    def _wake(self) -> None:
        if (port := self._port) is not None:
            port.wake()

    def _read(self, port: SerialPort, stop: threading.Event) -> None:
        heard_s = looked_s = real_s()
        header_due = self._wants_header
        while not stop.is_set():
            chunk = port.read()
            self._beat()
            if chunk:
                lines = self._lines.feed(chunk)
                boot_ms = self._clock.boot_ms()
                if header_due and self._lines.first is not None:
                    header_due = False
                    self._hand(Arrival(self.name, boot_ms, FIRST_LINE, self._lines.first))
                for line in lines:
                    self._hand(Arrival(self.name, boot_ms, "", line))
                if lines:
                    heard_s = self._heard()
            if self._heartbeat_s - looked_s >= LOOK_EVERY_S:
                looked_s = self._heartbeat_s
                if port.moved():
                    raise LinkError(f"{port.path}: leads to another device now, or to none; opening it again")
            if self._heartbeat_s - heard_s >= self._mute_s:
                self._mute_s = min(2 * self._mute_s, MUTE_LONGEST_S)
                self._muted += 1
                self._muted_now = True
                raise LinkError(f"{port.path}: open, but no whole line came for long; check baud rate and wiring")

    def _heard(self) -> float:
        self._mute_s = MUTE_S
        if self._muted_now:
            self._muted_now = False
            self._up()
        return real_s()
