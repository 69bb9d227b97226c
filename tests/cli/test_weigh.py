"""`kojimon batch weigh`: a weight is kept, dated back, taken back, refused; and says what it means."""

from __future__ import annotations

import json
import re

import pytest

from tests.cli.conftest import Kitchen


def flat(text: str) -> str:
    return " ".join(text.split())


def test_a_batch_is_weighed_on_its_way(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "30", "h", "--rice", "4", "lb")
    said = flat(kitchen.run("batch", "weigh", "5.12", "lb", "--as", "soaked", "--ago", "46", "h").stdout)
    assert "Weighed, soaked: 5 lb 2 oz." in said
    assert "Soaked: 128 on 100 dry, within the published 120-130" in said
    kitchen.run("batch", "weigh", "7 lb", "--as", "seeded", "--tare", "1.5 lb", "--ago", "30 h")
    said = flat(kitchen.run("batch", "weigh", "5 lb", "--as", "work", "--tare", "0", "--ago", "10 h").stdout)
    assert "Seeded to work, 20.0 h: 9.6-12 g of water lost an hour; koji of as much rice loses 5.3-19" in said
    assert "it is an assumption" in said
    state = json.loads(kitchen.run("status", "--json").stdout)["incubators"][0]["batch"]
    events = json.loads(kitchen.run("batch", "show", state["id"], "--json").stdout)["events"]
    weighed = [(event["key"], event["data"]["kg"]) for event in events if event["kind"] == "weighed"]
    assert weighed == [("soaked", 2.322393), ("seeded", 2.494758), ("work", 2.267962)]
    done = flat(kitchen.run("batch", "harvest", "--yield", "4.6 lb").stdout)
    assert "As koji: 115 on 100 dry, within the published 110-120" in done
    assert "Finished normal" in done and "This says nothing about safety." in done


def test_koji_weighed_at_the_harvest_alone_stands_in_the_list(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "44", "h", "--rice", "4", "lb")
    kitchen.run("batch", "weigh", "4.6 lb", "--as", "harvest")
    kitchen.run("batch", "harvest")
    assert flat(kitchen.run("batch", "list").stdout).endswith("harvested 4.6 lb")


def test_a_weight_is_taken_back(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--rice", "2 kg")
    kitchen.run("batch", "weigh", "2.6 kg", "--as", "soaked")
    kitchen.run("batch", "weigh", "2.5 kg", "--as", "soaked")
    assert "The last weight as soaked is taken back." in flat(kitchen.run("undo").stdout)
    assert "Soaked: 130 on 100 dry, within" in flat(kitchen.run("batch", "weigh").stdout)
    kitchen.run("reading", "80", "F", "--room")
    assert "The last weight as soaked is taken back." in flat(kitchen.run("undo", "weight").stdout)
    assert "Nothing is weighed yet" in kitchen.run("batch", "weigh").stdout
    assert "No weight is saved" in flat(kitchen.run("undo", "weight", code=2).stderr)


def test_undo_takes_weights_steps_and_readings_back_in_the_order_they_were_entered(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--rice", "2 kg", "--hours-ago", "24 h")
    kitchen.run("batch", "weigh", "2.6 kg", "--as", "soaked", "--ago", "30 h")
    kitchen.run("reading", "80", "F", "--room")
    kitchen.run("batch", "weigh", "2.4 kg", "--as", "work", "--ago", "5 h")
    taken = [flat(kitchen.run("undo").stdout) for _ in range(3)]
    assert "The last weight as work is taken back." in taken[0]
    assert "Taken back: room 80.0 °F" in taken[1]
    assert "The last weight as soaked is taken back." in taken[2]


def test_more_koji_than_rice_and_water_can_give_is_refused(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--rice", "4 lb", "--hours-ago", "44 h")
    told = flat(kitchen.run("batch", "harvest", "--yield", "40 lb", code=1).stderr)
    assert told.startswith("40.0 lb (18.14 kg) of koji cannot come of 4.0 lb (1.81 kg) of dry grain")
    assert "1.10 to 1.20 (Kagawa Prefecture" in told and told.endswith("Nothing was saved.")
    kitchen.run("batch", "weigh", "40 lb", "--as", "dry")
    kitchen.run("batch", "harvest", "--yield", "44 lb")


@pytest.mark.parametrize(("stage", "mass", "why"), [
    ("soaked", "59 lb", "more than twice the dry grain"), ("soaked", "4.5 lb", "no heavier than the dry grain"),
    ("work", "1.2 lb", "drier than koji dried for the shelf"), ("harvest", "59 lb", "more than twice the dry grain"),
])  # fmt: skip
def test_a_weight_that_cannot_be_is_kept_nowhere(kitchen: Kitchen, stage: str, mass: str, why: str) -> None:
    """59 lb for 5.9 is a slip of the thumb: it stood on the label."""
    kitchen.run("batch", "start", "first", "--rice", "4.6 lb", "--hours-ago", "44 h")
    told = flat(kitchen.run("batch", "weigh", mass, "--as", stage, code=1).stderr)
    assert told.startswith(f"Beside 4.6 lb (2.09 kg) of dry grain {float(mass[:-3]):.1f} lb (")
    assert f"as {stage} cannot be: {why}" in told and told.endswith("Nothing was saved.")
    kitchen.run("batch", "harvest", "--yield", "5.2 lb")
    refused = flat(kitchen.run("batch", "weigh", mass, "--as", stage, code=1).stderr)
    assert why in refused, "after the harvest too"
    shown = kitchen.run("batch", "label").stdout
    assert "5 lb 3 oz" in shown and mass not in shown
    assert "Weighed" not in kitchen.run("batch", "show").stdout.replace("Refused", "")


def test_of_two_weights_that_contradict_each_other_one_can_be_taken_back(kitchen: Kitchen) -> None:
    """No dry weight was told, so 59 lb could be; then it is."""
    kitchen.run("batch", "start", "first")
    kitchen.run("batch", "weigh", "59 lb", "--as", "soaked")
    told = flat(kitchen.run("batch", "weigh", "4.6 lb", "--as", "dry", code=1).stderr)
    assert told.startswith("Beside 4.6 lb (2.09 kg) as dry the 59.0 lb (26.76 kg) as soaked cannot be")
    assert "take the other back: kojimon undo weight" in told
    kitchen.run("undo", "weight")
    kitchen.run("batch", "weigh", "4.6 lb", "--as", "dry")
    kitchen.run("batch", "weigh", "5.9 lb", "--as", "soaked")


def test_a_yield_over_the_steamed_weight_is_refused(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "44 h")
    kitchen.run("batch", "weigh", "6.4 lb", "--as", "steamed", "--ago", "45 h")
    told = flat(kitchen.run("batch", "harvest", "--yield", "7.4 lb", code=1).stderr)
    assert "7.4 lb (3.36 kg) as harvest cannot be: more than it weighed steamed" in told
    kitchen.run("batch", "harvest", "--yield", "5.4 lb")


def test_what_is_no_weight_is_refused(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    assert "no more than its vessel" in flat(
        kitchen.run("batch", "weigh", "1 kg", "--as", "dry", "--tare", "2 kg", code=1).stderr
    )
    for words in (
        ("5 lb",),
        ("--as", "dry"),
        ("heavy", "--as", "dry"),
        ("1,500 g", "--as", "dry"),
        ("1.500 g", "--as", "dry"),
    ):
        kitchen.run("batch", "weigh", *words, code=2)
    over = flat(kitchen.run("batch", "weigh", "500 lb", "--as", "dry", code=2).stderr)
    assert "expected a mass over 0, 441 lb (200 kg) at most" in over
    assert "To tell moisture the dry weight is wanted" in flat(kitchen.run("batch", "weigh").stdout)


def test_the_vessel_is_taken_off_until_another_is_named(kitchen: Kitchen) -> None:
    """The tray of the koji is another vessel than the bowl of the rice, and both outlast the batch."""
    kitchen.run("batch", "start", "first", "--hours-ago", "30 h", "--rice", "2 kg")
    kitchen.run("batch", "weigh", "3.1 kg", "--as", "soaked", "--tare", "500 g", "--ago", "40 h")
    kitchen.run("batch", "weigh", "3.7 kg", "--as", "seeded", "--tare", "1 kg", "--ago", "29 h")
    said = flat(kitchen.run("batch", "weigh", "3.5 kg", "--as", "work", "--ago", "9 h").stdout)
    assert "Weighed, work: 5 lb 8 oz, 2 lb 3 oz of its vessel taken off." in said
    assert "Taken off for the vessel: soaked 1 lb 2 oz, steamed 1 lb 2 oz, seeded 2 lb 3 oz" in said
    kitchen.run("batch", "harvest")
    kitchen.run("batch", "start", "second", "--hours-ago", "1 h", "--rice", "2 kg")
    assert "2 lb 3 oz of its vessel" in flat(kitchen.run("batch", "weigh", "3.7 kg", "--as", "seeded").stdout)
    refused = flat(kitchen.run("batch", "weigh", "800 g", "--as", "work", code=1).stderr)
    assert "2.2 lb (1.00 kg) is kept from before, tare 0 for none" in refused
    assert "vessel taken off" not in flat(kitchen.run("batch", "weigh", "2.6 kg", "--as", "work", "--tare", "0").stdout)


def test_what_to_type_is_in_the_reader_s_unit(kitchen: Kitchen) -> None:
    """Somebody with a box in kg and °C was told to type lb and °F."""
    kitchen.settings("C", **{"mass: lb": "mass: kg"})
    told = kitchen.run("batch", "start", "small", "--rice", "533 g", "--hours-ago", "44 h").stdout
    assert "Batch small begins with 533 g of rice." in told
    seeded = ("weigh", "900 g", "--as", "seeded", "--tare", "0.2 kg")
    for words in (("weigh",), seeded, ("harvest", "--yield", "620 g")):
        said = kitchen.run("batch", *words).stdout
        assert not re.search(r"\d (?:lb|F)\b", said), said
        assert re.search(r"weigh 2\.6 kg|tare 900 g|reading 27 C", said)
