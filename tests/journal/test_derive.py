"""How inputs are written down: forecasts a little shorter than they come, and equal when they are read back."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from kojimon.contract.inputs import Forecast
from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.kept import pack, thin, unpack
from kojimon.forecast.recorded import Recorded, forecasts
from kojimon.journal.files.damage import open_or_recover
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.derive import as_json, batch_statements, input_parts, shortened
from kojimon.journal.writing.writer import Writer
from kojimon.model import InputRow
from tests.forecast import bedtruth
from tests.parts.inputs import event_row, input_row

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
)  # fmt: skip


@given(PLAIN)
def test_what_is_shortened_reads_back_equal(value: Any) -> None:
    assert msgspec.json.decode(as_json(shortened(value))) == value
    assert len(as_json(shortened({"x": [43.0, 1.0, 0.5]}))) == len('{"x":[43,1,0.5]}')


def made() -> list[Any]:
    """A few forecasts of a warm batch, as their process makes them."""
    batch = bedtruth.one()
    parts = (batch.t_s, batch.bed_c, batch.air_c, batch.room_c, batch.rh_pct)
    rows = tuple(tuple(row) for row in zip(*(part.tolist() for part in parts), strict=True))[: 22 * 60]
    return list(forecasts(Recorded(rows), 3600.0, (43.0, 45.0), setup=ForecastSetup()))[-3:]


def test_a_forecast_comes_back_as_it_was_and_so_does_one_written_before(tmp_path: Path) -> None:
    path = tmp_path / "kitchen.journal"
    rows = [input_row(seq, seq, "forecast", {"made_ms": seq, "forecast": pack(thin(one))})
            for seq, one in enumerate(made(), 1)]  # fmt: skip
    opened = open_or_recover(path)
    writer = Writer(path, ballast_mb=0)
    writer.start()
    writer.submit(Chunk(inputs=rows, horizon_ms=3))
    assert writer.flush(60)
    long = as_json(rows[0].what)
    assert len(input_parts(rows[0])[0][3]) < 0.95 * len(long)
    writer.run(lambda db: db.execute("UPDATE input SET payload = ? WHERE seq = 1", (long,)))
    assert writer.stop(10)
    opened.lock.release()
    with closing(Reader(path)) as reader:
        found = list(reader.rows_after(0))
    assert found == rows
    for kept, row in zip(found, rows, strict=True):
        assert isinstance(kept, InputRow) and isinstance(kept.what, Forecast) and isinstance(row.what, Forecast)
        assert unpack(kept.what.forecast) == unpack(row.what.forecast)


def test_a_harvest_that_is_entered_late_ends_the_batch_when_it_was() -> None:
    late, now = (event_row(1, 9000, "batch-harvest", "box", "b1", "b1", {"at_ms": at_ms}) for at_ms in (5000, None))
    ended = [values["t_ms"] for one in (late, now) for _, values in batch_statements([one]) if isinstance(values, dict)]
    assert ended == [5000, 9000]
