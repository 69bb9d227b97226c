"""A daemon as a process whose koji limit alarms at the first sample, with a web receiver as its phone."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from tests.daemon.process import Process
from tests.parts.broker import Broker, publish
from tests.parts.receiver import Got, Receiver

SCHEDULE = """\
label: Quick
purpose: a test
stages:
  first:
    label: First
    begins: 0 h
    bands:
      bed: {{temperature: {{high: {{at: 35 C, delay: {delay}, samples: 1, priority: wake}}}}}}
steps:
  inoculate: {{label: Sprinkle, work: inoculate}}
  harvest: {{label: Take out, work: harvest, opens: 40 h}}
"""
KEY = "limit/bed/temperature/high"


class Quick(Process):
    """Args: broker: where its probes speak. receiver: its phone. delay: the limit's on-delay."""

    def __init__(self, folder: Path, broker: Broker, receiver: Receiver, delay: str = "0 s") -> None:
        super().__init__(folder, broker.port)
        self._broker = broker
        (folder / "schedules").mkdir(exist_ok=True)
        (folder / "schedules" / "quick.yaml").write_text(SCHEDULE.format(delay=delay))
        (folder / "url").write_text(receiver.url + "\n")
        text = self.config.read_text().replace("rice-koji-home-trays", "quick")
        channels = "channels: {phone: {kind: service, url: {file: url}}}\nspeaker: {use: false}\n"
        self.config.write_text(text + channels)

    def begin(self) -> None:
        """A batch at hour 0."""
        for kind, data in (("batch.start", {}), ("step.done", {"step": "inoculate", "value_c": 31.0})):
            self.client.act({"kind": kind, "who": "me", "data": data})

    def say(self, value_c: float) -> None:
        """The top tray's probe says something."""
        publish(self._broker, "k/bed", f"{value_c}")

    def stored(self, what: str) -> int:
        """Rows of the limit's call in the journal: `message`, or `delivery` that got out."""
        with closing(sqlite3.connect(self.journal)) as db:
            if what == "message":
                query = "SELECT count(*) FROM message WHERE id LIKE ?"
            else:
                query = "SELECT count(*) FROM delivery WHERE state = 'sent' AND message LIKE ?"
            return int(db.execute(query, (f"%{KEY}#%",)).fetchone()[0])


def calls(receiver: Receiver) -> list[Got]:
    """What the phone got of the limit's alarm."""
    return [got for got in receiver.got if KEY in got.id]
