"""Tables of the journal, in SQL with their units, and the migrations that lead to them.

The comments stand inside the statements so that SQLite keeps them: `.schema` of any SQLite tool shows them.
Engine times (`t_ms`) are milliseconds on the journal's own axis; `utc_ms` is milliseconds since 1970-01-01 UTC.

Readings are appended in the order of their rowid (`seq`): a table clustered by probe writes three times as much to
a card. NULL in `value` saves eight bytes wherever no calibration changed the raw value.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Final

from kojimon.errors import JournalError
from kojimon.model import Quality

APPLICATION_ID: Final = 0x4B4F4A49
"""Marks the file as ours (`PRAGMA application_id`, the letters KOJI)."""

TABLES: Final = (
    """CREATE TABLE probe (
  -- Probes ever seen; a number is never given to another name.
  no INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
)""",
    """CREATE TABLE placing (
  -- Where a probe sat and what it measured, from the row from_seq on.
  probe INTEGER NOT NULL,
  from_seq INTEGER NOT NULL,
  incubator TEXT NOT NULL,
  place TEXT NOT NULL,     -- bed, air, room, wet-bulb
  tray TEXT NOT NULL,
  quantity TEXT NOT NULL,  -- temperature (degrees Celsius) or humidity (relative, percent)
  PRIMARY KEY (probe, from_seq)
) WITHOUT ROWID""",
    """CREATE TABLE reading (
  -- Every reading in the order of arrival.
  seq INTEGER PRIMARY KEY,   -- one count for readings and inputs together
  t_ms INTEGER NOT NULL,     -- engine time, ms
  probe INTEGER NOT NULL,    -- probe.no
  raw REAL,                  -- as decoded; degrees Celsius or percent; NULL: no number could be had
  value REAL,                -- calibrated; NULL: the same as raw
  quality INTEGER NOT NULL   -- verdict, see table quality; 0 is good
)""",
    """CREATE TABLE quality (
  -- Names of the verdicts.
  no INTEGER PRIMARY KEY,
  name TEXT NOT NULL
)""",
    """CREATE TABLE input (
  -- Everything else the engine was given: acts of people, clock, settings, health.
  seq INTEGER PRIMARY KEY,
  t_ms INTEGER NOT NULL,  -- engine time, ms
  kind TEXT NOT NULL,
  payload TEXT NOT NULL   -- JSON
)""",
    """CREATE TABLE settings (
  -- Settings, whole, once a hash. The input row of kind settings names the hash.
  hash TEXT PRIMARY KEY,
  seq INTEGER NOT NULL,   -- input.seq that brought them first
  body TEXT NOT NULL      -- JSON
) WITHOUT ROWID""",
    """CREATE TABLE event (
  -- What happened, as the engine stated it. Never changed.
  no INTEGER PRIMARY KEY,
  t_ms INTEGER NOT NULL,  -- engine time, ms
  kind TEXT NOT NULL,
  incubator TEXT NOT NULL,
  batch TEXT NOT NULL,    -- batch.id or empty
  key TEXT NOT NULL,
  data TEXT NOT NULL      -- JSON
)""",
    "CREATE INDEX event_of_batch ON event (batch, no)",
    """CREATE TABLE message (
  -- Outbox: what people are to be told.
  id TEXT PRIMARY KEY,       -- the same for every copy of it
  event INTEGER NOT NULL,    -- event.no
  priority TEXT NOT NULL,    -- wake, tell, log
  t_ms INTEGER NOT NULL,     -- engine time, ms
  settled_t_ms INTEGER       -- engine time, ms; NULL as long as somebody still has to be told
) WITHOUT ROWID""",
    "CREATE INDEX message_waiting ON message (t_ms) WHERE settled_t_ms IS NULL",
    """CREATE TABLE delivery (
  -- Attempts to tell people.
  message TEXT NOT NULL,  -- message.id
  channel TEXT NOT NULL,
  state TEXT NOT NULL,    -- sent, failed, given-up
  t_ms INTEGER NOT NULL,  -- engine time, ms
  text TEXT NOT NULL,
  PRIMARY KEY (message, channel, t_ms)
) WITHOUT ROWID""",
    """CREATE TABLE batch (
  -- Batches, derived from the events.
  id TEXT PRIMARY KEY,
  incubator TEXT NOT NULL,
  name TEXT NOT NULL,
  schedule TEXT NOT NULL,
  rice_kg REAL,                  -- dry rice, kg
  started_t_ms INTEGER NOT NULL, -- engine time, ms
  hour0_t_ms INTEGER,            -- inoculation, engine time, ms
  ended_t_ms INTEGER,            -- engine time, ms; NULL while open
  outcome TEXT NOT NULL,         -- empty while open, harvest, discard
  yield_kg REAL,                 -- koji, kg
  note TEXT NOT NULL
) WITHOUT ROWID""",
    """CREATE TABLE clock (
  -- The machine's clocks at each start, step, change of trust and hour.
  seq INTEGER PRIMARY KEY,   -- input.seq
  t_ms INTEGER NOT NULL,     -- engine time, ms
  kind TEXT NOT NULL,        -- start, clock
  boot INTEGER NOT NULL,     -- boots counted by this journal
  boot_id TEXT NOT NULL,     -- as the kernel names it
  boot_ms INTEGER NOT NULL,  -- ms since boot
  wall_ms INTEGER NOT NULL,  -- UTC as believed, ms since 1970
  trusted INTEGER NOT NULL,  -- 1: known to be synchronised
  step_ms INTEGER NOT NULL,  -- size of a step of the wall clock, ms
  gap_ms INTEGER NOT NULL    -- start only: time off that was assumed, ms
)""",
    """CREATE TABLE segment (
  -- Engine time to UTC, derived from table clock: utc_ms = t_ms + offset_ms from from_t_ms on.
  from_t_ms INTEGER PRIMARY KEY, -- engine time, ms
  offset_ms INTEGER NOT NULL,    -- ms
  boot INTEGER NOT NULL,
  state TEXT NOT NULL          -- trusted; estimated (final); open (an estimate that may still change)
)""",
    """CREATE TABLE snapshot (
  -- Encoded state of the engine after row seq.
  seq INTEGER PRIMARY KEY,
  horizon_ms INTEGER NOT NULL, -- engine time, ms
  state BLOB NOT NULL
)""",
    """CREATE TABLE unacked (
  -- Messages stored whose acknowledgement may not have reached the broker.
  source TEXT NOT NULL,
  packet_id INTEGER NOT NULL,
  payload_hash BLOB NOT NULL,
  commit_no INTEGER NOT NULL,
  PRIMARY KEY (source, packet_id)
) WITHOUT ROWID""",
    """CREATE TABLE sink (
  -- How far each reader downstream has got.
  name TEXT PRIMARY KEY,
  seq INTEGER NOT NULL        -- last row taken over
) WITHOUT ROWID""",
    """CREATE TABLE quarantine (
  -- Rows a sink's server refuses for good.
  sink TEXT NOT NULL,
  seq INTEGER NOT NULL,
  text TEXT NOT NULL,         -- the server's answer
  PRIMARY KEY (sink, seq)
) WITHOUT ROWID""",
    """CREATE TABLE duty (
  -- Calendar duties and when each was last done.
  name TEXT PRIMARY KEY,
  last_utc_ms INTEGER NOT NULL -- UTC, ms since 1970
) WITHOUT ROWID""",
    """CREATE TABLE thinned (
  -- Spans from which readings were left out; replay does not promise the same events there.
  from_seq INTEGER NOT NULL,
  to_seq INTEGER NOT NULL,
  reason TEXT NOT NULL,       -- idle: thinned to minutes; memory: the disk failed; corrupt: lost with a file
  dropped INTEGER NOT NULL,   -- readings left out
  PRIMARY KEY (from_seq, reason)
) WITHOUT ROWID""",
    """CREATE TABLE progress (
  -- One row: how far the journal has got.
  id INTEGER PRIMARY KEY CHECK (id = 1),
  commit_no INTEGER NOT NULL,
  horizon_ms INTEGER NOT NULL, -- engine time up to which the engine has run, ms
  last_seq INTEGER NOT NULL,
  last_event INTEGER NOT NULL,
  in_use INTEGER NOT NULL      -- 1 from opening to orderly closing
)""",
)

VIEWS: Final = (
    """CREATE VIEW readings AS
  -- Readings with names and time, for people and other programs.
  SELECT r.seq, strftime('%Y-%m-%dT%H:%M:%fZ', (r.t_ms + s.offset_ms) / 1000.0, 'unixepoch') AS utc,
    s.state AS clock, p.name AS probe, l.incubator, l.place, l.tray, l.quantity,
    coalesce(r.value, r.raw) AS value, r.raw, q.name AS quality, r.t_ms
  FROM reading r
  JOIN probe p ON p.no = r.probe
  LEFT JOIN quality q ON q.no = r.quality
  LEFT JOIN segment s ON s.from_t_ms = (SELECT max(from_t_ms) FROM segment WHERE from_t_ms <= r.t_ms)
  LEFT JOIN placing l ON l.probe = r.probe
    AND l.from_seq = (SELECT max(from_seq) FROM placing WHERE probe = r.probe AND from_seq <= r.seq)""",
    """CREATE VIEW events AS
  -- Events with time, for people and other programs.
  SELECT e.no, strftime('%Y-%m-%dT%H:%M:%fZ', (e.t_ms + s.offset_ms) / 1000.0, 'unixepoch') AS utc,
    s.state AS clock, e.kind, e.incubator, e.batch, e.key, e.data, e.t_ms
  FROM event e
  LEFT JOIN segment s ON s.from_t_ms = (SELECT max(from_t_ms) FROM segment WHERE from_t_ms <= e.t_ms)""",
)

Migration = Callable[[sqlite3.Connection], None]


def _first(db: sqlite3.Connection) -> None:
    """Version 1: the schema above, as it was first released."""
    for statement in (*TABLES, *VIEWS):
        db.execute(statement)
    db.execute("INSERT INTO progress VALUES (1, 0, 0, 0, 0, 0)")
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _second(db: sqlite3.Connection) -> None:
    """Version 2: the same tables. What was a task is a step in what is written from here on (`contract.earlier`).

    The number alone keeps an earlier kojimon from reading on and missing every step done since.
    """


MIGRATIONS: Final[tuple[Migration, ...]] = (_first, _second)
"""Migration n (counted from 1) leads from version n - 1 to n. A released one is never edited: once one
changes the tables, the first becomes a frozen copy of its own text, and TABLES and VIEWS show the present state."""

VERSION: Final = len(MIGRATIONS)


def name_qualities(db: sqlite3.Connection) -> None:
    """Fills table quality; verdicts that a newer kojimon knows are added."""
    names = [(int(verdict), verdict.name.lower().replace("_", "-")) for verdict in Quality]
    db.executemany("INSERT INTO quality VALUES (?, ?) ON CONFLICT (no) DO NOTHING", names)


def version_of(db: sqlite3.Connection) -> int:
    """Version of an open journal; 0 for an empty file."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection, migrations: Sequence[Migration] = MIGRATIONS) -> int:
    """Brings an open journal to the newest version, each migration in one transaction with its number.

    Returns the version found. Raises JournalError for a file of a newer kojimon or of another program.
    """
    found = version_of(db)
    if found > len(migrations):
        raise JournalError(
            f"the journal has version {found}, this kojimon knows up to {len(migrations)}; "
            "install the newer kojimon again, or point journal.file at another file"
        )
    if found == 0 and db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        raise JournalError("the file is an SQLite database of another program; point journal.file at another file")
    for number, migration in enumerate(migrations[found:], start=found + 1):
        db.execute("BEGIN IMMEDIATE")
        try:
            migration(db)
            db.execute(f"PRAGMA user_version = {number}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
    return found
