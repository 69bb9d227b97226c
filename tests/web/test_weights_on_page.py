"""Weights on the page, to somebody who reads pounds: what cannot be is refused whole, and the day after counts too."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from kojimon.settings.spec import Units
from tests.web.pages import Door, page


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A batch whose spores went on 44 hours ago, of 4.4 lb of rice."""
    with page(tmp_path_factory.mktemp("weights"), units=Units(fahrenheit=True, pounds=True)) as one:
        assert one.act("batch.start", name="first", rice_kg="4.4", hour0_ago_s="44").status == 200
        yield one


def weigh(door: Door, stage: str, typed: str, **more: str) -> str:
    """What the page says of a weight."""
    return str(door.get(door.act("batch.weigh", stage=stage, kg=typed, **more).json["goto"]).text)


def test_what_cannot_be_is_refused_with_all_that_is_to_be_said(door: Door) -> None:
    """After other weights the sentence was cut off the answer."""
    weigh(door, "soaked", "5.6", ago_min="3600")
    weigh(door, "seeded", "5.9", ago_min="2600")
    answer = door.act("batch.weigh", stage="work", kg="59")
    assert answer.status == 409
    assert answer.json["error"].startswith("Beside 4.4 lb (2.00 kg) of dry grain 59.0 lb (26.76 kg) as work cannot be")
    assert answer.json["error"].endswith("Nothing was saved.")


@pytest.mark.parametrize(("typed", "why"), [
    ("500", "expected a mass over 0, 441 lb (200 kg) at most"), ("1.500 g", "can be read two ways; write 1500 or 1.5"),
])  # fmt: skip
def test_a_refusal_speaks_in_the_reader_s_unit(door: Door, typed: str, why: str) -> None:
    assert why in door.act("batch.weigh", stage="work", kg=typed).json["error"]


def test_the_answer_is_all_that_this_weight_says(door: Door) -> None:
    said = weigh(door, "soaked", "5.7", ago_min="3600")
    told = said.partition('data-live="brief"')[0]
    assert "Weighed, soaked: 5 lb 11 oz." in told and "Soaked: 130 on 100 dry, within" in told
    assert "Water, soaked: 33 % of 5 lb 11 oz" in told and "with the spores" not in told


def test_koji_is_weighed_on_the_page_after_its_harvest(door: Door) -> None:
    assert door.act("batch.harvest").status == 200
    shown = door.get("/").text
    assert 'value="batch.weigh"' in shown and "It counts for the batch that ended last." in shown
    told = weigh(door, "harvest", "5.0").partition('data-live="brief"')[0]
    assert "As koji: 114 on 100 dry, within the published 110-120" in told and "Finished normal" in told
    assert door.act("batch.weigh", stage="harvest", kg="50").status == 409
