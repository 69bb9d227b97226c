"""Power cuts: the card's bytes as they are at a random moment, without what the kernel still holds back. Needs root.

A real daemon's writer commits without pause on ext4 on a loop device. At a random moment the process is frozen and the
image copied without any flush: that is what a card holds when the power goes (a card that lies about a flush is not
simulated). The copy is mounted and opened as a start would.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from tests.bench.figures import record
from tests.parts.card import mounted, new_card
from tests.parts.wait import until

pytestmark = [pytest.mark.bench, pytest.mark.slow]

ROUNDS = 6
CHILD = Path(__file__).parents[1] / "journal" / "crashing_child.py"


class Acknowledged:
    """What the child said was on the disk, read as it says it."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self.last = 0
        self._pipe = child.stdout
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._pipe is not None
        for line in self._pipe:
            seqs = line.decode().partition("|")[0].split()
            self.last = int(seqs[-1]) if seqs else self.last

    def join(self) -> None:
        self._thread.join(10)


def test_nothing_acknowledged_is_lost_when_the_power_goes(tmp_path: Path) -> None:
    chance = random.Random()
    seed = chance.getrandbits(32)
    chance.seed(seed)
    lost: list[int] = []
    with new_card(tmp_path, 64) as card:
        path = card.folder / "kitchen.journal"
        child = subprocess.Popen(
            [sys.executable, str(CHILD), str(path), "never", "0", "1000000"], stdout=subprocess.PIPE
        )
        told = Acknowledged(child)
        try:
            for number in range(ROUNDS):
                wanted = told.last + chance.randrange(50, 1500)
                until(lambda wanted=wanted: told.last >= wanted, what="commits", within_s=60)  # type: ignore[misc]
                os.kill(child.pid, signal.SIGSTOP)
                acknowledged = told.last
                copy = tmp_path / f"cut{number}.img"
                shutil.copyfile(card.image, copy)
                os.kill(child.pid, signal.SIGCONT)
                lost.append(acknowledged - stored_after_cut(copy, tmp_path / f"cut{number}"))
                copy.unlink()
        finally:
            child.kill()
            child.wait(10)
            told.join()
            with contextlib.suppress(AttributeError):
                child.stdout.close()  # type: ignore[union-attr]
    gone = sum(max(0, n) for n in lost)
    record("power cuts of a card: acknowledged rows lost", f"{gone} in {ROUNDS} cuts, seed {seed}")
    assert all(n <= 0 for n in lost)


def stored_after_cut(image: Path, folder: Path) -> int:
    """Opens the journal on a card after its power cut; how many rows it has, each once and in order."""
    with mounted(image, folder) as card:
        path = card.folder / "kitchen.journal"
        opened = open_or_recover(path)
        opened.lock.release()
        with closing(Reader(path)) as reader:
            rows = [row[0] for row in reader.rows_after(0) if isinstance(row, tuple)]
            last_seq = reader.last_seq()
    assert opened.unclean and opened.set_aside is None and opened.trouble == ""
    assert rows == list(range(1, len(rows) + 1)) and last_seq == len(rows)
    return len(rows)
