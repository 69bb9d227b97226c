"""The writer: one thread, sole owner of the write connection. Commits, then calls back, never holds up the core.

What waits and when it is due: pending.py. What is done when the disk fails: storage.py.

Alarming comes before the record: when a commit failed, or hangs for HUNG_S, what waits for it is acknowledged from
memory (`on_released`), or its senders would fall silent. Whoever submits does that: the writer's thread may hang.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Final, TypeVar

from msgspec.structs import replace

from kojimon import clock, logs
from kojimon.contract.health import JournalHealth
from kojimon.errors import JournalError
from kojimon.journal.files.beside import Ballast
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk, Placed, ProbeRow, ThinnedSpan
from kojimon.journal.writing import names as numbering
from kojimon.journal.writing.pending import AT_ONCE_S, Pending
from kojimon.journal.writing.storage import Replaced, Storage
from kojimon.journal.writing.store import Step, no_step
from kojimon.journal.writing.trouble import HUNG

log = logs.get("journal")

JOB_WAIT_S: Final = 10.0
HUNG_S: Final = 10.0
"""Real seconds after which a commit counts as one that may never end."""

T = TypeVar("T")
Receipt = tuple[str, int]


class Writer:
    """Takes chunks from the core and commits them.

    Args:
        path: the journal, prepared by `files.damage.open_or_recover`.
        commit_every_s: longest time a reading waits for its commit, real seconds.
        on_committed: called in the writer thread for each chunk once it is on the disk, in order.
        on_trouble: called in the writer thread when storage fails, with what and what to do; with "" when it works
            again. It may submit, but not wait for the writer. Called by whoever submits when a commit hangs.
        on_released: called by whoever submits with (source, receipt) pairs that are to be acknowledged from memory.
        on_replaced: see Storage; called in the writer thread.
        ballast_mb: size of the file given up when the disk is full.
        step: fault injection, see store.Step.
    """

    def __init__(
        self,
        path: Path,
        *,
        commit_every_s: float = 60.0,
        on_committed: Callable[[Chunk], None] | None = None,
        on_trouble: Callable[[str], None] | None = None,
        on_released: Callable[[Sequence[Receipt]], None] | None = None,
        on_replaced: Replaced = lambda _what, _aside: None,
        ballast_mb: float = 8.0,
        step: Step = no_step,
    ) -> None:
        self.path = path
        self._pending = Pending(commit_every_s)
        self._on_committed = on_committed or (lambda _chunk: None)
        self._on_trouble = on_trouble or (lambda _text: None)
        self._on_released = on_released or (lambda _receipts: None)
        self._step = step
        self._storage = Storage(path, Ballast(path, round(ballast_mb * 1e6)), self._on_trouble, step, on_replaced)
        self._flying: list[Receipt] = []
        self._hung = False
        self._jobs: list[tuple[Callable[[sqlite3.Connection], Any], Future[Any]]] = []
        self._wake = threading.Condition()
        self._flush = self._stopping = False
        self._began_s: float | None = None
        self._commits = self._rows = self._refused = 0
        self._sync_last_s = self._sync_most_s = 0.0
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    # Doors, for any thread.

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def submit(self, chunk: Chunk) -> None:
        """Hands a chunk over; never waits for the disk."""
        with self._wake:
            before = self._pending.due_s()
            self._pending.add(chunk, clock.real_s())
            if self._pending.due_s() != before:
                self._wake.notify_all()
            hung = self.busy_s() > HUNG_S
            fresh, self._hung = hung and not self._hung, self._hung or hung
            released: list[Receipt] = []
            if hung or self._storage.failing:
                released, self._flying = [*self._flying, *self._pending.free_receipts()], []
        if fresh:
            log.error("storage: %s", HUNG)
            self._on_trouble(HUNG)
        if released:
            self._on_released(released)

    def flush(self, timeout_s: float) -> bool:
        """Commits what waits now. Returns whether everything was on the disk within timeout_s of real time."""
        end_s = clock.real_s() + timeout_s
        with self._wake:
            self._storage.retry.at_once()
            while self._pending.chunks or self._began_s is not None or self._jobs:
                self._flush = True
                self._wake.notify_all()
                left_s = end_s - clock.real_s()
                if left_s <= 0 or not self._thread.is_alive():
                    return False
                self._wake.wait(left_s)
            return True

    def run(self, job: Callable[[sqlite3.Connection], T], timeout_s: float = JOB_WAIT_S) -> T:
        """Runs a short job in the writer thread, in a transaction of its own, and returns what it returns.

        Raises JournalError when the journal cannot be written now or no answer comes within timeout_s of real time;
        whatever the job raises comes through.
        """
        answer: Future[T] = Future()
        with self._wake:
            self._jobs.append((job, answer))
            self._wake.notify_all()
        try:
            return answer.result(timeout_s)
        except FutureTimeout:
            answer.cancel()
            raise JournalError(f"the journal did not answer within {timeout_s:g} s; the disk may hang") from None

    def go_on(self, after_seq: int, refused: str) -> None:
        """Before the start: from where memory goes on, and why the file is not to be touched (see Storage)."""
        self._storage.after_seq, self._storage.refused = after_seq, refused

    def register_probes(
        self, names: Iterable[str], placed: Iterable[Placed] = (), kept: Iterable[ProbeRow] = ()
    ) -> dict[str, int]:
        """Numbers of the probes by name, for ever the same; new names get the next free ones.

        Args:
            names: all probes of the settings.
            placed: where they sit and what they measure (`settings.probes`); a change is kept with the row from
                which it holds.
            kept: numbers known from beside the journal, where that cannot be read.

        While the journal cannot be written the numbers are kept in memory and written later.
        """
        wanted, sites = list(names), list(placed)
        try:
            return self.run(lambda db: numbering.register(db, wanted, sites))
        except (JournalError, sqlite3.Error) as problem:
            log.warning("probe numbers are kept in memory: %s", problem)
            return self._storage.owe_probes(wanted, sites, self._numbers_on_file(kept))

    def _numbers_on_file(self, kept: Iterable[ProbeRow]) -> dict[str, int]:
        """Numbers in a journal that can be read though not written; else those that were kept."""
        known = list(kept)
        if not self._storage.refused:
            with suppress(JournalError), closing(Reader(self.path)) as reader:
                known = reader.probes()
        return {probe.name: probe.no for probe in known}

    @property
    def refused(self) -> str:
        """Why the file at the path is not to be touched; "" where it may be."""
        return self._storage.refused

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def busy_s(self) -> float:
        """Real seconds that what is done at the disk now has taken so far; 0 when nothing is."""
        began_s = self._began_s
        return 0.0 if began_s is None else clock.real_s() - began_s

    def facts(self) -> JournalHealth:
        """The counters as they stand."""
        with self._wake:
            return JournalHealth(
                path=str(self.path),
                commits=self._commits,
                rows=self._rows,
                waiting_rows=self._pending.rows,
                dropped_rows=self._pending.dropped,
                refused_chunks=self._refused,
                busy_s=self.busy_s(),
                sync_last_s=self._sync_last_s,
                sync_most_s=self._sync_most_s,
                trouble=HUNG if self._hung else self._storage.trouble,
            )

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Commits what waits, marks the journal as orderly closed, ends the thread. Returns whether that worked."""
        done = self.flush(timeout_s)
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return done and not self._thread.is_alive()

    # The thread.

    def _run(self) -> None:
        self._began_s = clock.real_s()
        self._storage.ready(self._began_s)
        self._over()
        while self._wait_for_work():
            try:
                self._turn()
            except Exception:
                log.exception("the journal's thread goes on after a mistake")
            with self._wake:
                self._wake.notify_all()
        self._storage.close(clean=not self._pending.chunks)

    def _wait_for_work(self) -> bool:
        """Waits until something is due. Returns False when it is time to end."""
        with self._wake:
            while not self._stopping:
                wait_s = self._wait_s(clock.real_s())
                if wait_s is not None and wait_s <= 0:
                    return True
                self._wake.wait(wait_s)
            return False

    def _wait_s(self, now_s: float) -> float | None:
        if self._jobs:
            return 0.0
        due_s = self._due_s()
        return None if due_s is None else max(due_s, self._storage.retry.due_s) - now_s

    def _due_s(self) -> float | None:
        self._flush = self._flush and bool(self._pending.chunks)
        return AT_ONCE_S if self._flush else self._pending.due_s()

    def _turn(self) -> None:
        now_s = clock.real_s()
        with self._wake:
            jobs, self._jobs = self._jobs, []
            due_s = self._due_s()
            self._began_s = now_s
        try:
            if self._storage.ready(now_s) and due_s is not None and due_s <= now_s:
                self._commit()
            for job, answer in jobs:
                self._answer(job, answer)
        finally:
            self._over()

    def _over(self) -> None:
        """Nothing is under way at the disk any more; that it hung for a while is over too."""
        with self._wake:
            self._began_s = None
            hung, self._hung = self._hung, False
        if hung:
            self._on_trouble(self._storage.trouble)

    def _answer(self, job: Callable[[sqlite3.Connection], Any], answer: Future[Any]) -> None:
        if not answer.set_running_or_notify_cancel():
            return
        try:
            answer.set_result(self._storage.run(job, clock.real_s()))
        except Exception as problem:
            answer.set_exception(problem)

    def _commit(self) -> None:
        with self._wake:
            chunks, span, since_s = self._pending.take(), self._pending.span, self._pending.since_s
            began_s = self._began_s = clock.real_s()
            self._flying = owed = [receipt for chunk in chunks for receipt in chunk.receipts]
        stored, left = self._write(chunks, span)
        now_s = clock.real_s()
        with self._wake:
            if self._flying is not owed:  # acknowledged meanwhile; their numbers may be in use anew
                stored, left = ([replace(chunk, receipts=()) for chunk in part] for part in (stored, left))
            self._flying = []
            self._sync_last_s = now_s - began_s
            if left:
                self._pending.put_back(left, since_s)
            else:
                self._pending.committed(now_s)
            if stored:
                self._commits += 1
                self._rows += sum(chunk.rows() for chunk in stored)
                self._sync_most_s = max(self._sync_most_s, self._sync_last_s)
        self._call_back(stored)

    def _write(self, chunks: list[Chunk], span: ThinnedSpan | None) -> tuple[list[Chunk], list[Chunk]]:
        """The chunks that are on the disk now, and those that must wait."""
        try:
            done = self._storage.commit(chunks, span, clock.real_s())
            return (chunks, []) if done else ([], chunks)
        except Exception:
            log.exception("a commit was refused; its chunks are tried one by one")
        stored: list[Chunk] = []
        for index, chunk in enumerate(chunks):
            try:
                if not self._storage.commit([chunk], span, clock.real_s()):
                    return stored, chunks[index:]
                stored.append(chunk)
            except Exception:
                self._refused += 1
                log.exception("this chunk cannot be stored and is left out: %r", chunk)
        return stored, []

    def _call_back(self, stored: Sequence[Chunk]) -> None:
        for chunk in stored:
            try:
                self._on_committed(chunk)
            except Exception:
                log.exception("after a commit")
        self._step("called-back")
