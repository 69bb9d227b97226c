"""What is measured of a box, value by value, in its card."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract.state import Box, ByHand
from kojimon.words.card import Card, card_of
from kojimon.words.speech import Speech
from tests.parts.statedoc import BOX, box, document, placed

CELSIUS = Speech()


def card(one: Box) -> Card:
    return card_of(one, document(one), CELSIUS)


def test_both_ends_of_a_place_with_several_probes_and_one_line_of_any_other() -> None:
    assert [(value.name, value.value) for value in card(BOX).values] == [
        ("Hottest: top tray", "37.2 °C"), ("Coldest: bottom tray", "35.1 °C"), ("Box air", "30.2 °C"),
        ("Box humidity", "86 %"),
    ]  # fmt: skip


def test_without_a_fresh_reading_a_place_has_a_line_and_no_value() -> None:
    first = card(placed(BOX, None)).values[0]
    assert (first.name, first.value) == ("Koji", "no reading")


def test_what_was_read_by_hand_long_ago_gives_way_to_a_probe_that_measures_there() -> None:
    old = ByHand("bed", "temperature", "", 31.0, age_s=115_200.0, at_t_ms=0, fresh=False)

    def shown(one: Box) -> list[str]:
        return [value.value for value in card(one).values if value.by_hand]

    assert shown(box(by_hand=(old,))) == []
    assert shown(box(by_hand=(replace(old, fresh=True),))) == ["31.0 °C"]
    silent = placed(BOX, None)
    assert shown(replace(silent, by_hand=(old,))) == [], "the probe's last reading is newer"
    never = replace(silent, probes=tuple(replace(one, age_s=None) for one in silent.probes))
    assert shown(replace(never, by_hand=(old,))) == ["31.0 °C"], "it is all there is"


def test_trays_without_a_probe_count_only_while_a_batch_is_open() -> None:
    assert card(box(trays=("top", "middle", "bottom"))).unmeasured == "No probe measures the middle tray."
    assert card(box(trays=("top", "middle", "bottom"), batch=None)).unmeasured == ""
