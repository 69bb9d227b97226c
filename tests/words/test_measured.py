"""What is measured of a box, line by line: page and terminal read the same."""

from __future__ import annotations

from kojimon.words.measured import measured, unmeasured
from tests.parts.statedoc import BOX, box, placed


def test_both_ends_of_a_place_with_several_probes_and_one_line_of_any_other() -> None:
    assert [(line.spot, line.end, line.read and line.read.value) for line in measured(BOX)] == [
        ("Top tray", "hottest", 37.2), ("Bottom tray", "coldest", 35.1), ("Box air", "", 30.2),
        ("Box humidity", "", 86.0),
    ]  # fmt: skip


def test_without_a_fresh_reading_a_place_has_a_line_and_no_value() -> None:
    first = next(measured(placed(BOX, None)))
    assert (first.spot, first.end, first.read) == ("Koji", "", None)


def test_trays_without_a_probe_count_only_while_a_batch_is_open() -> None:
    assert unmeasured(box(trays=("top", "middle", "bottom"))) == ["the middle tray"]
    assert unmeasured(box(trays=("top", "middle", "bottom"), batch=None)) == []
