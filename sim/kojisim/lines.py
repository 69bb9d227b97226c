"""Publishers to real parts: an MQTT broker and a serial pseudo-terminal.

Both take the samples of one instant, group those of one board, and count what they sent.
"""

from __future__ import annotations

import json
import os
import select
import termios
import time
import tty
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal, Protocol

from kojisim.probes import ProbeSpec, Sample

LineFormat = Literal["json", "csv", "keys"]


class Publisher(Protocol):
    """Something that sends samples over a real line."""

    sent: int

    def publish(self, samples: Sequence[Sample]) -> None:
        """Send the samples of one instant; back when they have been handed over."""

    def close(self) -> None:
        """End the connection."""


def rounds(samples: Iterable[Sample]) -> list[list[Sample]]:
    """Split samples so that no probe is twice in one group: first of each, second of each, ..."""
    groups: list[list[Sample]] = []
    seen: dict[str, int] = {}
    for sample in samples:
        place = seen.get(sample.name, 0)
        seen[sample.name] = place + 1
        if place == len(groups):
            groups.append([])
        groups[place].append(sample)
    return groups


class MqttPublisher:
    """A few cheap Wi-Fi boards: each sends `PREFIX/BOARD` JSON with temperature and, where it has it, humidity.

    MQTT 5, QoS 1; `publish` waits until every message is acknowledged (at most timeout_s, else TimeoutError).
    """

    def __init__(
        self, host: str, port: int, prefix: str, probes: Iterable[ProbeSpec], timeout_s: float = 10.0
    ) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

        self.sent = 0
        self._prefix, self._timeout_s = prefix.rstrip("/"), timeout_s
        self._boards = {spec.name: spec.board or spec.name for spec in probes}
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.max_inflight_messages_set(100)
        self._client.connect(host, port, keepalive=30)
        self._client.loop_start()
        self._wait_connected()

    def _wait_connected(self) -> None:
        deadline = time.monotonic() + self._timeout_s
        while not self._client.is_connected():
            if time.monotonic() > deadline:
                raise TimeoutError(f"MQTT broker did not accept the connection within {self._timeout_s:g} s")
            time.sleep(0.005)

    def publish(self, samples: Sequence[Sample]) -> None:
        waiting = []
        for group in rounds(samples):
            payloads: dict[str, dict[str, float]] = {}
            for sample in group:
                payloads.setdefault(self._boards[sample.name], {})[sample.quantity] = sample.value
            for board, payload in payloads.items():
                text = json.dumps(payload, separators=(",", ":"))
                waiting.append(self._client.publish(f"{self._prefix}/{board}", text, qos=1))
        for info in waiting:
            info.wait_for_publish(self._timeout_s)
            if not info.is_published():
                raise TimeoutError(f"MQTT broker did not acknowledge within {self._timeout_s:g} s")
        self.sent += len(waiting)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class SerialLine:
    """A microcontroller on a USB serial line: one line an instant through a pseudo-terminal.

    Args:
        link: symbolic link that stands for the port's stable name; made anew at each plugging in.
        probes: in column order for CSV.
        style: `json` one object, `csv` columns, `keys` blank-separated key=value. Keys are the probes' names.
    """

    def __init__(self, link: Path, probes: Iterable[ProbeSpec], style: LineFormat = "json") -> None:
        self.sent = 0
        self._link, self._style = link, style
        self._names = [spec.name for spec in probes]
        self._master = -1
        self._last = ""
        self.plug()

    @property
    def plugged(self) -> bool:
        """Whether the device is there."""
        return self._master >= 0

    def plug(self) -> None:
        """Plug in: a pseudo-terminal under another number than last time, and the link to it."""
        if self.plugged:
            return
        rejected: list[int] = []
        master, slave = os.openpty()
        while os.ttyname(slave) == self._last:
            rejected += (master, slave)
            master, slave = os.openpty()
        for fd in rejected:
            os.close(fd)
        tty.setraw(slave, termios.TCSANOW)
        self._last = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(self._last)
        self._master = master

    def unplug(self) -> None:
        """Pull the device: the reader's port hangs up and the link is gone."""
        if self.plugged:
            os.close(self._master)
            self._master = -1
            self._link.unlink(missing_ok=True)

    def wait_reader(self, timeout_s: float = 10.0) -> None:
        """Wait until somebody has the port open. Raises TimeoutError."""
        poll = select.poll()
        poll.register(self._master, 0)
        deadline = time.monotonic() + timeout_s
        while any(event & select.POLLHUP for _, event in poll.poll(0)):
            if time.monotonic() > deadline:
                raise TimeoutError(f"nobody opened {self._link} within {timeout_s:g} s")
            time.sleep(0.01)

    def text(self, samples: Sequence[Sample]) -> list[str]:
        """The lines for the samples of one instant."""
        return [self._line({s.name: s.value for s in group}) for group in rounds(samples)]

    def _line(self, values: dict[str, float]) -> str:
        if self._style == "json":
            return json.dumps(values, separators=(",", ":"))
        if self._style == "csv":
            return ",".join("" if n not in values else f"{values[n]:g}" for n in self._names)
        return " ".join(f"{name}={value:g}" for name, value in values.items())

    def publish(self, samples: Sequence[Sample]) -> None:
        if not self.plugged:
            return
        for line in self.text(samples):
            self._write(line.encode() + b"\n")
            self.sent += 1

    def _write(self, data: bytes, timeout_s: float = 5.0) -> None:
        deadline = time.monotonic() + timeout_s
        while data:
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                if time.monotonic() > deadline:
                    raise TimeoutError(f"nobody reads {self._link}") from None
                time.sleep(0.002)

    def close(self) -> None:
        self.unplug()
