"""What is measured of a box, line by line: page and terminal read the same."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract.state import Box, ByHand
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


def test_what_was_read_by_hand_long_ago_gives_way_to_a_probe_that_measures_there() -> None:
    old = ByHand("bed", "temperature", "", 31.0, age_s=115_200.0, at_t_ms=0, fresh=False)

    def shown(one: Box) -> list[float | None]:
        return [line.read and line.read.value for line in measured(one) if line.end == "by hand"]

    assert shown(box(by_hand=(old,))) == []
    assert shown(box(by_hand=(replace(old, fresh=True),))) == [31.0]
    assert shown(replace(placed(BOX, None), by_hand=(old,))) == [31.0], "it is all there is"


def test_trays_without_a_probe_count_only_while_a_batch_is_open() -> None:
    assert unmeasured(box(trays=("top", "middle", "bottom"))) == ["the middle tray"]
    assert unmeasured(box(trays=("top", "middle", "bottom"), batch=None)) == []
