"""The least a subscriber can be: bareclient.py PORT COUNT [DATABASE].

Counts messages of paho-mqtt. With a database it writes each into SQLite first (WAL, synchronous=FULL, 20 a commit) and
acknowledges after the commit. Prints JSON: messages, processor and real seconds from the first to the last.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

COMMIT = 20


def main() -> None:
    port, count = int(sys.argv[1]), int(sys.argv[2])
    database = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    seen, first_cpu_s, first_s = 0, 0.0, 0.0
    client = paho.Client(CallbackAPIVersion.VERSION2, "bare", protocol=paho.MQTTv5, manual_ack=database is not None)

    def connected(client: Any, *_: Any) -> None:
        client.subscribe("k/#", 1)

    def counted(_client: Any, _data: Any, message: Any) -> None:
        nonlocal seen, first_cpu_s, first_s
        if not seen:
            first_cpu_s, first_s = time.process_time(), time.monotonic()
        seen += 1

    client.on_connect, client.on_message = connected, counted
    if database is not None:
        client.on_message = Committing(database, counted).message
    client.connect("127.0.0.1", port)
    while seen < count:
        client.loop(1.0)
    spent = {"seen": seen, "cpu_s": time.process_time() - first_cpu_s, "real_s": time.monotonic() - first_s}
    for _ in range(3):
        client.loop(0.05)
    print(json.dumps(spent), flush=True)


class Committing:
    """Stores and commits before it acknowledges."""

    def __init__(self, path: Path, counted: Any) -> None:
        self._db = sqlite3.connect(path, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("CREATE TABLE reading (seq INTEGER PRIMARY KEY, value REAL)")
        self._counted, self._waiting = counted, list[Any]()

    def message(self, client: Any, data: Any, message: Any) -> None:
        self._counted(client, data, message)
        self._waiting.append((message.mid, float(message.payload)))
        if len(self._waiting) == COMMIT:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.executemany("INSERT INTO reading (value) VALUES (?)", [(value,) for _, value in self._waiting])
            self._db.execute("COMMIT")
            for mid, _ in self._waiting:
                client.ack(mid, 1)
            self._waiting.clear()


if __name__ == "__main__":
    main()
