"""A snapshot that an earlier version left in the middle of a batch: this version goes on from it.

`state-SEQ.xz` is the engine's state after that row of the golden journal, as its version encoded it.
"""

from __future__ import annotations

import lzma
from pathlib import Path
from typing import Any

import msgspec
import pytest

from kojimon.core.advance import Row, advance, row_t_ms
from kojimon.engine import State, decode, initial_state
from kojimon.engine.state import Lately
from kojimon.journal.reading.reader import Reader
from kojimon.model import InputRow
from tests.golden.meaning import GOLDEN, unpacked
from tests.parts.inputs import says

FILES = sorted(GOLDEN.glob("*/state-*.xz"))
CALLED, MIXED = (GOLDEN / "0.1.0" / f"state-{seq}.xz" for seq in (10020, 13700))


def rows_of(journal: Path) -> list[Row]:
    reader = Reader(journal)
    try:
        return [row for page in reader.pages_after(0) for row in page]
    finally:
        reader.close()


def seq_of(row: Row) -> int:
    return row.seq if isinstance(row, InputRow) else row[0]


def go_on(state: State, rows: list[Row]) -> tuple[State, list[Any]]:
    """The state after the rows and what the engine stated, numbers aside: versions may have stated more or less."""
    after, outcome = advance(state, rows, row_t_ms(rows[-1]))
    return after, [(one.t_ms, one.kind, one.incubator, one.key, says(one)) for one in outcome.events]


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_batch_goes_on_as_if_it_had_been_replayed_from_its_beginning(file: Path, tmp_path: Path) -> None:
    old = decode(lzma.decompress(file.read_bytes()))
    rows = rows_of(unpacked(file.parent, tmp_path))
    here = next(place for place, row in enumerate(rows) if seq_of(row) > old.seq)
    replayed, _ = go_on(initial_state(), rows[:here])
    (_, went_on), (_, wanted) = go_on(old, rows[here:]), go_on(replayed, rows[here:])
    assert "batch-harvest" in {kind for _, kind, *_ in wanted}
    assert went_on == wanted


def test_what_lay_together_in_since_has_fields_of_its_own() -> None:
    called, mixed = (decode(lzma.decompress(file.read_bytes())) for file in (CALLED, MIXED))
    assert called.since == {"box/time-to-limit/bed/temperature": 1_098_430_000}
    assert called.lately == {"box": Lately(forecast_known_ms=1_052_320_000)}
    assert mixed.since == {}
    assert mixed.lately == {
        "box": Lately(visited_ms=1_137_070_000, guessed_ms=1_125_070_000, forecast_known_ms=1_052_320_000)
    }


def test_each_thing_that_since_ever_held_is_found_again() -> None:
    plain = msgspec.msgpack.decode(lzma.decompress(MIXED.read_bytes()), strict=False)
    plain["since"] = {
        "box/set": 1, "box/settling": 2, "box/visited": 3, "box/putting-back": 4, "box/guess": 5,
        "box/forecast-known": 6, "box/forecast-refused": 7, "box/back/mix": 8,
        "crate/visited": 10, "box/box/off": 11, "crate/deviation/air/temperature": 12, "box/of another day": 13,
    }  # fmt: skip
    state = decode(msgspec.msgpack.encode(plain))
    assert state.since == {"box/box/off": 11, "crate/deviation/air/temperature": 12}
    assert state.lately == {"box": Lately(1, 2, 3, 4, 5, 6, 7), "crate": Lately(visited_ms=10)}
