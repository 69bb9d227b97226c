"""Runs a writer until it kills itself (SIGKILL) at one point of one commit. Prints what was acknowledged.

Arguments: journal, name of the point, how many times it is passed before the kill, and how many turns at most.
"""

from __future__ import annotations

import os
import signal
import sys
from contextlib import closing
from pathlib import Path

from kojimon.contract.events import BatchStart
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk, Unacked
from kojimon.journal.writing.writer import Writer
from kojimon.model import Event, Message, Priority


def main() -> None:
    path, point, passes = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    left = [passes]

    def step(name: str) -> None:
        if name == point:
            left[0] -= 1
            if left[0] < 0:
                os.kill(os.getpid(), signal.SIGKILL)

    def committed(chunk: Chunk) -> None:
        seqs = " ".join(str(row[0]) for row in chunk.readings)
        events = " ".join(str(event.no) for event in chunk.events)
        os.write(1, f"{seqs}|{events}|{chunk.horizon_ms}\n".encode())

    open_or_recover(path)
    with closing(Reader(path)) as reader:
        seq, event_no = reader.last_seq(), reader.last_event()
    writer = Writer(path, commit_every_s=3600, on_committed=committed, ballast_mb=0, step=step)
    writer.start()
    for turn in range(int(sys.argv[4]) if len(sys.argv) > 4 else 400):
        readings = [(seq + n, (seq + n) * 10, 1, 30.0, None, 0) for n in range(1, 6)]
        seq += 5
        events = []
        if turn % 3 == 2:
            event_no += 1
            events = [Event(event_no, seq * 10, "box", f"b{event_no}", "", BatchStart())]
        messages = [Message(f"event-{event.no}", event.no, Priority.TELL) for event in events]
        unacked = [Unacked("broker", turn, b"%d" % seq)]
        writer.submit(Chunk(
            readings=readings, events=events, messages=messages, horizon_ms=seq * 10, receipts=[("broker", seq)],
            unacked=unacked, snapshot=b"%d" % seq if turn % 10 == 0 else None,
        ))  # fmt: skip
        if turn % 7 == 0:
            writer.flush(5)
    writer.stop(5)
    os.write(1, b"not killed\n")


main()
