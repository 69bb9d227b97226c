"""Publishers to real parts: an MQTT broker and a serial pseudo-terminal.

Both take the samples of one instant, group those of one board, and count what they sent.
"""

from __future__ import annotations

import json
import os
import select
import socket
import termios
import time
import tty
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal, Protocol

from kojisim.probes import ProbeSpec, Sample

LineFormat = Literal["json", "csv", "keys"]
#: Real time a reader is given after opening the port to flush what was there.
_SETTLE_S = 0.2


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
        self._client.on_publish = lambda *_: self._acknowledge_at_once()
        self._client.connect(host, port, keepalive=30)
        self._client.loop_start()
        self._wait_connected()

    def _wait_connected(self) -> None:
        deadline = time.monotonic() + self._timeout_s
        while not self._client.is_connected():
            if time.monotonic() > deadline:
                raise TimeoutError(f"MQTT broker did not accept the connection within {self._timeout_s:g} s")
            time.sleep(0.005)

    def _acknowledge_at_once(self) -> None:
        """Keep TCP from holding back its acknowledgement: a broker under Nagle's rule would wait 40 ms for it."""
        link = self._client.socket()
        if isinstance(link, socket.socket) and hasattr(socket, "TCP_QUICKACK"):
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)

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

    What is sent while nobody has the port open is lost, as on a wire. A reader that has just opened it is given a
    moment to flush its buffer and then a line end (or the column names), since a first line may be half of one.

    Args:
        link: symbolic link that stands for the port's stable name; made anew at each plugging in.
        probes: in column order for CSV.
        style: `json` one object, `csv` columns, `keys` blank-separated key=value. Keys are the probes' names.
        header: send the column names first (counted as a line); only for CSV.
    """

    def __init__(
        self, link: Path, probes: Iterable[ProbeSpec], style: LineFormat = "json", header: bool = False
    ) -> None:
        self.sent = 0
        self._link, self._style, self._header = link, style, header
        self._names = [spec.name for spec in probes]
        self._master = -1
        self._last = ""
        self._greeted = False
        self._poll = select.poll()
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
        self._poll = select.poll()
        self._poll.register(master, 0)
        self._master, self._greeted = master, False
        spare = self._link.with_name(self._link.name + ".new")
        spare.symlink_to(self._last)
        spare.replace(self._link)

    def unplug(self) -> None:
        """Pull the device: the reader's port hangs up and the link is gone."""
        if self.plugged:
            os.close(self._master)
            self._master = -1
            self._link.unlink(missing_ok=True)

    def has_reader(self) -> bool:
        """Whether somebody has the port open."""
        return self.plugged and not any(event & select.POLLHUP for _, event in self._poll.poll(0))

    def wait_reader(self, timeout_s: float = 30.0) -> None:
        """Wait until somebody has the port open. Raises TimeoutError."""
        deadline = time.monotonic() + timeout_s
        while not self.has_reader():
            if time.monotonic() > deadline:
                raise TimeoutError(f"nobody opened {self._link} within {timeout_s:g} s")
            time.sleep(0.01)

    def _greet(self) -> None:
        time.sleep(_SETTLE_S)
        self._greeted = True
        if self._header:
            self._write((",".join(self._names) + "\n").encode())
            self.sent += 1
        else:
            self._write(b"\n")

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
        if not self.has_reader():
            self._greeted = False
            return
        if not self._greeted:
            self._greet()
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
