"""A journal that is filled by hand."""

from __future__ import annotations

from pathlib import Path

from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from kojimon.settings.spec import Probe
from tests.parts.inputs import event_row, input_row
from tests.parts.opened import reading

H = 3_600_000


class Kitchen:
    """A journal and its writer; `read(n)` adds readings of three probes, ten seconds apart."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.opened = open_or_recover(path)
        self.writer = Writer(path, ballast_mb=0)
        self.writer.start()
        self.seq = self.event_no = self.t_ms = 0
        self.probes = [
            Probe(name="top probe", incubator="box", place="bed", quantity="temperature", source="s", tray="top"),
            Probe(name="air", incubator="box", place="air", quantity="temperature", source="s"),
            Probe(name="damp", incubator="box", place="air", quantity="humidity", source="s"),
        ]
        self.writer.register_probes([probe.name for probe in self.probes], self.probes)

    def clock(self, wall_ms: int, trusted: bool = True, boot: int = 1, kind: str = "start") -> None:
        """A row of the clock, a second later: engine time and boot time agree."""
        self.seq += 1
        self.t_ms += 1000
        facts = {
            "boot": boot,
            "boot_id": f"b{boot}",
            "boot_ms": self.t_ms,
            "wall_ms": wall_ms,
            "trusted": trusted,
        }
        self.writer.submit(Chunk(inputs=[input_row(self.seq, self.t_ms, kind, facts)], urgent=True))
        assert self.writer.flush(60)

    def read(self, rounds: int, quality: int = 0) -> None:
        """Adds `rounds` readings of each probe."""
        rows = []
        for _ in range(rounds):
            self.t_ms += 10_000
            for no, value in ((1, 30.0), (2, 28.5), (3, 80.0)):
                self.seq += 1
                rows.append((self.seq, self.t_ms, no, value + self.seq % 16 / 16, None, quality))
        self.writer.submit(Chunk(readings=rows, horizon_ms=self.t_ms, urgent=True))
        assert self.writer.flush(60)

    def batch(self, kind: str, name: str = "b1", key: str = "") -> None:
        """Starts (`batch-start`) or ends (`batch-harvest`) a batch; any other event of it."""
        self.event_no += 1
        event = event_row(self.event_no, self.t_ms, kind, "box", name, key, {})
        self.writer.submit(Chunk(events=[event]))
        assert self.writer.flush(60)

    def reader(self) -> Reader:
        """A reader of its own."""
        return reading(self.path)

    def close(self) -> None:
        """Ends the writer."""
        self.writer.stop(5)
        self.opened.lock.release()
