"""`kojimon forecast`: may I sleep? On a made-up state, and what batches taught on a whole daemon."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from msgspec.structs import replace

from kojimon.cli.commands import forecast as command
from kojimon.cli.commands import learned, night_check
from kojimon.cli.commands.learned import learnt_of
from kojimon.cli.shared.kitchen import LiveKitchen
from kojimon.contract.inputs import Prior
from kojimon.contract.night import NightCheck, Trial
from kojimon.contract.state import Document
from kojimon.forecast.prior import published
from kojimon.words.outlook import NOT_INSTALLED
from tests.cli.conftest import Kitchen
from tests.cli.test_screens import Pretended, lines
from tests.daemon.running import broker_site, running
from tests.parts.statedoc import BOX, NOW_MS, box, document, foreseen
from tests.parts.wait import until


def foretold(**changed: Any) -> Document:
    steps = tuple(replace(step, due_t_ms=None) for step in BOX.steps)
    return document(box(forecast=foreseen(made_t_ms=NOW_MS, **changed), steps=steps))


@pytest.fixture
def pretend(monkeypatch: pytest.MonkeyPatch) -> Callable[[Document], None]:
    return lambda shown: monkeypatch.setattr(command, "open_kitchen", lambda _: Pretended(shown))


@pytest.mark.parametrize("width", [80, 40])
def test_the_first_line_says_whether_one_may_sleep(kitchen: Kitchen, pretend: Any, width: int) -> None:
    pretend(foretold())
    shown = lines(kitchen, "forecast", width=width)
    text = " ".join(" ".join(shown).split())
    assert text.startswith("Nothing is likely to need you before 18:30 (9 chances in 10). Alarms stay on.")
    assert "Over 109.4 °F at 18:48 (likely 18:36 to 19:00) if left alone (9 chances in 10 " in text
    assert "Best mixed at 15:30 (likely 15:00 to 16:00)." in text
    assert "Mixed now: peak 102.2 °F" in text and "you judge by eye and nose" in text
    assert text.count("Nothing is likely to need you before") == 1 and text.count("Alarms stay on.") == 1


def test_a_forecast_of_koji_unread_speaks_of_no_probe_and_its_curve_of_no_measurement(
    kitchen: Kitchen, pretend: Any
) -> None:
    """`status` may show a probe's koji beside it that no forecast has had yet."""
    chill = {"low_c": 26.0, "too_cold": (0.3,) * 24, "at_s": 0.0}
    pretend(foretold(known=False, reading_age_s=None, why_not="The forecast has no reading of the koji yet.", **chill))
    text = " ".join(kitchen.run("forecast").stdout.split())
    assert "This forecast was made without a reading of the koji: it goes by the box's air" in text
    assert "has no reading of the koji yet" not in text, "it may stand beside one that `status` shows"
    assert (text.count("Under 79 °F within"), text.count("Alarms stay on.")) == (1, 1)
    assert "No probe" not in text and "If left alone, worked out: not measured" in text


def test_the_same_as_data(kitchen: Kitchen, pretend: Any) -> None:
    pretend(foretold())
    box = json.loads(kitchen.run("forecast", "--json").stdout)["incubators"][0]
    assert box["rest"] == "Nothing is likely to need you before 18:30 (9 chances in 10). Alarms stay on."
    assert {"p10", "p25", "p50", "p75", "p90"} == set(box["forecast"]["limits"][0]["in_h"])


class Passing(LiveKitchen):
    """A kitchen whose test alarm is acknowledged on the phone at once."""

    def __init__(self, shown: Document) -> None:
        self.shown, self.check = shown, NightCheck(channels=("phone",))

    def state(self) -> Document:
        return self.shown

    def act(self, *_: Any) -> list[Any]:  # type: ignore[override]
        last = Trial(NOW_MS, "", 0.0, {"phone": 1.0}, {}, 20.0, "anna", "page", True, True)
        self.check = replace(self.check, passed=True, text="Night check passed", last=last)
        return []

    def night_check(self) -> NightCheck:
        return self.check


def test_the_night_check_ends_with_it(kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(night_check, "open_kitchen", lambda _: Passing(foretold()))
    said = " ".join(kitchen.run("alarms", "night-check", "--yes").stdout.split())
    calm = "nothing is likely to need you before 18:30 (9 chances in 10). Alarms stay on."
    assert said.endswith(f"Night check passed. Forecast: {calm}")


def test_an_old_one_is_not_shown_as_if_it_held(kitchen: Kitchen, pretend: Any) -> None:
    pretend(foretold(fresh=False, age_s=3000))
    assert lines(kitchen, "forecast", width=80)[0].startswith("The last forecast is 50 min old")
    assert "Best mixed" not in kitchen.run("forecast").stdout


def test_without_its_library_it_says_so_and_nothing_fails(
    kitchen: Kitchen, pretend: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kojimon.settings.installed.find_spec", lambda _: None)
    pretend(document())
    done = kitchen.run("forecast")
    assert done.exit_code == 0 and " ".join(done.stdout.split()) == NOT_INSTALLED


def test_what_batches_taught_is_shown_exported_and_forgotten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    taught = msgspec.structs.replace(published(), batches=2, weight=1.7)
    key = ("box", "rice-koji-home-trays")
    with running(broker_site(tmp_path)) as one:
        kitchen = LiveKitchen(one.client)
        assert learnt_of(kitchen, "") == {}
        told = Prior(incubator=key[0], schedule=key[1], batch="b1", prior=msgspec.to_builtins(taught))
        one.daemon.house.intake.note("b1", told)
        one.tick(1)
        one.commit()
        until(lambda: learnt_of(kitchen, "") == {key: taught})
        monkeypatch.setattr(learned, "open_kitchen", lambda _: kitchen)
        (said,) = json.loads(CliRunner().invoke(learned.show, ["--json"]).stdout)["learnt"]
        assert msgspec.convert(said["prior"], type(taught)) == taught, "whole, to take along"
        one.act("forecast.reset", schedule=key[1])
        one.commit()
        until(lambda: learnt_of(kitchen, "") == {key: None})
