"""Lowest and highest of stretches of a curve: the same as a plain count over all readings."""

from contextlib import closing
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.store import Store

T0_MS = 1_000_000

Sample = tuple[int, int, float, int]
"""(ms since the sample before, probe, value, quality)."""


def stored(path: Path, samples: list[Sample]) -> list[tuple[int, int, float, int]]:
    """Writes them; (t_ms, probe, value, quality) of each."""
    rows, found, t_ms = [], [], T0_MS
    for seq, (pause_ms, probe, value, quality) in enumerate(samples, 1):
        t_ms += pause_ms
        calibrated = None if seq % 2 else value + 1
        rows.append((seq, t_ms, probe, value, calibrated, quality))
        found.append((t_ms, probe, value if calibrated is None else calibrated, quality))
    store = Store(path)
    store.commit([Chunk(readings=rows, horizon_ms=t_ms)], 1)
    store.close()
    return found


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 400), st.sampled_from([1, 2, 3]), st.integers(-50, 50).map(float), st.integers(0, 1)),
        max_size=60,
    ),
    st.integers(1, 900),
    st.integers(0, 2000),
)
def test_extremes_are_those_of_the_readings(
    tmp_path: Path, samples: list[Sample], width_ms: int, begin_ms: int
) -> None:
    path = tmp_path / f"j{len(list(tmp_path.iterdir()))}"
    from_ms, to_ms = T0_MS + begin_ms, T0_MS + begin_ms + 5000
    rows = stored(path, samples)
    wanted: dict[tuple[int, int], list[tuple[int, float]]] = {}
    for t_ms, probe, value, quality in rows:
        if quality == 0 and probe in (1, 2) and from_ms <= t_ms < to_ms:
            wanted.setdefault((probe, (t_ms - from_ms) // width_ms), []).append((t_ms, value))
    with closing(Reader(path)) as reader:
        found = reader.extremes([1, 2], from_ms, to_ms, width_ms)
    assert found == [
        (probe, part[0][0], min(value for _, value in part), max(value for _, value in part), len(part))
        for (probe, _), part in sorted(wanted.items())
    ]
