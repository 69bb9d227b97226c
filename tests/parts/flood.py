"""A source of MQTT messages that is faster than any client: pours prepared packets into the socket.

It plays the broker (MQTT 5, as far as a subscriber needs one), so that neither a publisher nor a real broker limits the
rate. As a program: flood.py QOS COUNT RATE WINDOW [TOPIC]; RATE 0 pours as fast as the client reads; WINDOW is how many
QoS 1 messages may be unacknowledged. It prints JSON lines: the port, then `begin` and `end` with real seconds.
"""

from __future__ import annotations

import json
import select
import socket
import sys
import time
from typing import Any

BATCH = 500
VALUES = [f"{30 + number / 1000:.3f}".encode() for number in range(997)]


def say(**facts: Any) -> None:
    print(json.dumps(facts), flush=True)


def length(size: int) -> bytes:
    """MQTT's variable byte integer."""
    out = bytearray()
    while True:
        size, digit = divmod(size, 128)
        out.append(digit | (128 if size else 0))
        if not size:
            return bytes(out)


def publish(topic: bytes, value: bytes, mid: int) -> bytes:
    """A PUBLISH packet; QoS 1 when mid is not 0."""
    ident = mid.to_bytes(2, "big") if mid else b""
    body = len(topic).to_bytes(2, "big") + topic + ident + b"\0" + value
    return bytes([0x32 if mid else 0x30]) + length(len(body)) + body


class Subscriber:
    """The connection to the one client."""

    def __init__(self, link: socket.socket) -> None:
        self._link, self._rest = link, b""
        self.acknowledged = 0
        self.subscribed = False

    def send(self, data: bytes) -> None:
        self._link.sendall(data)

    def read(self, timeout_s: float) -> None:
        """Takes in what the client says and answers it."""
        if not select.select([self._link], [], [], timeout_s)[0]:
            return
        part = self._link.recv(65536)
        if not part:
            raise ConnectionError("the client went away")
        self._rest += part
        while len(self._rest) >= 2:
            size, shift, at = 0, 0, 1
            while True:
                if at >= len(self._rest):
                    return
                size |= (self._rest[at] & 127) << shift
                shift, at = shift + 7, at + 1
                if not self._rest[at - 1] & 128:
                    break
            if len(self._rest) < at + size:
                return
            self._packet(self._rest[0] >> 4, self._rest[at : at + size])
            self._rest = self._rest[at + size :]

    def _packet(self, kind: int, body: bytes) -> None:
        if kind == 1:
            self.send(b"\x20\x03\x00\x00\x00")
        elif kind == 8:
            self.subscribed = True
            self.send(b"\x90\x04" + body[:2] + b"\x00\x01")
        elif kind == 12:
            self.send(b"\xd0\x00")
        elif kind == 4:
            self.acknowledged += 1


def pour(client: Subscriber, count: int, rate: float, topic: bytes) -> None:
    """QoS 0: `count` messages at `rate` a second, 0 as fast as they are read."""
    packets = [publish(topic, VALUES[number % len(VALUES)], 0) for number in range(BATCH)]
    whole = b"".join(packets)
    began, sent = time.monotonic(), 0
    while sent < count:
        if rate:
            due = min(count, int((time.monotonic() - began) * rate))
            if due - sent < 50 and due < count:
                client.read(0.002)
                continue
            part = min(due - sent, BATCH)
        else:
            part = min(count - sent, BATCH)
        client.send(whole if part == BATCH else b"".join(packets[:part]))
        sent += part
    client.read(0)


def trickle(client: Subscriber, count: int, window: int, topic: bytes) -> int:
    """QoS 1: as fast as they are acknowledged, `window` under way, until `count` are. Returns how many were sent.

    The last ones stay unacknowledged: a client that commits in groups may keep them for its longest wait.
    """
    sent = 0
    while client.acknowledged < count:
        room = window - (sent - client.acknowledged)
        if room > 0:
            numbers = range(sent, sent + room)
            client.send(b"".join(publish(topic, VALUES[n % 997], n % 65535 + 1) for n in numbers))
            sent += room
        client.read(1.0)
    return sent


def main() -> None:
    qos, count, rate, window = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    topic = (sys.argv[5] if len(sys.argv) > 5 else "k/bed").encode()
    with socket.create_server(("127.0.0.1", 0)) as door:
        say(port=door.getsockname()[1])
        link, _ = door.accept()
        with link:
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client = Subscriber(link)
            while not client.subscribed:
                client.read(1.0)
            until = time.monotonic() + 0.5
            while time.monotonic() < until:
                client.read(0.05)
            say(begin=time.monotonic())
            sent = count
            if qos:
                sent = trickle(client, count, window, topic)
            else:
                pour(client, count, rate, topic)
            say(end=time.monotonic(), sent=sent)
            try:
                while True:
                    client.read(1.0)
            except OSError:
                pass


if __name__ == "__main__":
    main()
