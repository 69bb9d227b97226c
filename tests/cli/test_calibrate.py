"""Calibrating: guided beside a real daemon that reads sensor files, by hand with and without one, and what is refused.

Ice water is 0 °C; a fever thermometer's water is 37 °C; air over kitchen salt has 75.3 % at 25 °C (Greenspan 1977,
J. Res. NBS 81A, p. 89, table of NaCl).
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from kojimon.cli.commands import calibrate as command
from kojimon.cli.shared.opening import client_of
from kojimon.contract.acts import PlainAct
from kojimon.core.fields import checked
from kojimon.daemon.certificates import Certificates
from kojimon.errors import RefusedError
from kojimon.probes.calibration import guide
from kojimon.probes.calibration.guide import Criterion, Method
from kojimon.settings.load import load_settings
from tests.cli.conftest import Kitchen
from tests.parts.wait import until

QUICK = {method: Criterion(0.8, 0.5, 0.3, 2, one.furthest) for method, one in guide.CRITERIA.items()}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Steady after a second: the waiting itself is tested on hand-made readings (tests/probes)."""
    monkeypatch.setattr(guide, "CRITERIA", QUICK)
    monkeypatch.setattr(command, "LOOK_S", 0.05)


@pytest.fixture
def live(kitchen: Kitchen) -> Iterator[Kitchen]:
    kitchen.settings(unit="C", **{"every: 1 s": "every: 0.1 s"})
    kitchen.show(koji_top=0.6, koji_low=30.0, air=29.0)
    kitchen.start()
    until(lambda: probe(kitchen, "koji-top")["value"] is not None)
    yield kitchen


def probe(kitchen: Kitchen, name: str) -> dict[str, float]:
    rows = json.loads(kitchen.run("probes", "--json").output)
    found: dict[str, float] = next(row for row in rows if row["name"] == name)
    return found


def test_two_points_are_guided_stored_and_in_force_at_once_and_after_a_restart(live: Kitchen, quick: None) -> None:
    said = live.run(
        "probes", "calibrate", "koji-top", "--build", "sealed", "--method", "ice", "--yes", "--within", "30 s"
    ).output
    assert "crushed ice" in said and "Keep plugs" in said and "Steady: 0.60 °C" in said
    assert "Where it says 0.60 °C, 0.00 °C is true." in said and "in force from the next reading on" in said
    live.show(koji_top=30.6)
    until(lambda: probe(live, "koji-top")["value"] == pytest.approx(30.0, abs=0.01))
    assert probe(live, "koji-top")["raw"] == pytest.approx(30.6)
    live.stop()
    live.start()
    until(lambda: probe(live, "koji-top")["value"] == pytest.approx(30.0, abs=0.01))
    table = " ".join(live.run("probes", "calibrations", width=120).output.split())
    assert "0.60 °C is 0.00 °C" in table and "ice" in table and "koji-low none stored" in table


def test_what_would_harm_a_probe_is_refused_before_anything_is_done(live: Kitchen) -> None:
    words = ("probes", "calibrate", "koji-top", "--build", "bare", "--method", "ice", "--yes")
    assert "never enters water" in " ".join(live.run(*words, code=2).output.split())
    words = ("probes", "calibrate", "koji-top", "--build", "sealed", "--method", "boiling", "--yes")
    assert "would harm it" in live.run(*words, code=2).output


def test_nonsense_is_refused_and_nothing_stored(live: Kitchen, quick: None) -> None:
    live.show(koji_top=21.0)
    until(lambda: probe(live, "koji-top")["value"] == pytest.approx(21.0))
    words = ("probes", "calibrate", "koji-top", "--build", "sealed", "--method", "ice", "--yes", "--within", "20 s")
    assert "no probe is so far off" in " ".join(live.run(*words, code=1).output.split())
    words = ("probes", "calibrate", "air", "--build", "sealed", "--method", "fever-thermometer", "--true", "50 C",
             "--yes", "--within", "20 s")  # fmt: skip
    assert "34 to 42 °C" in live.run(*words, code=1).output
    assert json.loads(live.run("probes", "calibrations", "--json").output) == []


def test_a_reading_that_never_settles_is_given_up(live: Kitchen, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guide, "CRITERIA", {method: Criterion(60.0, 0.1, 0.1, 20, 5.0) for method in Method})
    monkeypatch.setattr(command, "LOOK_S", 0.05)
    words = ("probes", "calibrate", "koji-top", "--build", "sealed", "--method", "ice", "--yes", "--within", "1 s")
    said = " ".join(live.run(*words, code=1).output.split())
    assert "Not steady within 1 s" in said and "Nothing was stored." in said


def test_by_hand_without_a_daemon_in_either_unit_and_taken_back(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    words = ("--point", "32.9 F = 32 F", "--point", "99.5 F = 98.6 F", "--date", "2026-10-02", "--note", "new year")
    said = kitchen.run("probes", "calibrate", "koji-top", *words).output
    assert "Where it says 32.90 °F, 32.00 °F is true." in said
    stored = json.loads(kitchen.run("probes", "calibrations", "--json").output)
    assert stored[0]["points"] == [[pytest.approx(0.5), pytest.approx(0.0)], [pytest.approx(37.5), pytest.approx(37.0)]]
    assert stored[0]["date"] == "2026-10-02" and stored[0]["note"] == "new year"
    again = kitchen.run("probes", "calibrate", "koji-top", *words).output
    assert "This replaces its calibration of 2026-10-02, all points." in " ".join(again.split())
    steep = kitchen.run("probes", "calibrate", "koji-top", "--point", "0 C = 0 C", "--point", "10 C = 20 C", code=1)
    assert "slope" in steep.output
    far = kitchen.run("probes", "calibrate", "koji-top", "--point", "4 C = 40 C", code=1)
    assert "off by 36 C (64.8 F)" in " ".join(far.output.split())
    near = kitchen.run(
        "probes", "calibrate", "koji-top", "--point", "30 C = 30 C", "--point", "30.5 C = 30.55 C", code=1
    )
    assert "only 0.5 C (0.9 F) apart" in " ".join(near.output.split())
    assert "taken back" in kitchen.run("probes", "calibrate", "koji-top", "--none").output
    assert json.loads(kitchen.run("probes", "calibrations", "--json").output)[0]["points"] == []


@pytest.mark.parametrize("points", [[[10**400, 0.0]], [[1.0]], 5, {"raw": 1.0}, [[None, 1.0]], [[float("nan"), 1.0]]])
def test_points_that_are_none_are_refused_at_the_door(kitchen: Kitchen, points: object) -> None:
    found = Certificates(load_settings(kitchen.config))
    with pytest.raises(RefusedError):
        found.admit(checked(PlainAct("probe.calibrate", "box", data={"probe": "koji-top", "points": points})))


def test_the_api_refuses_what_no_probe_needs(live: Kitchen) -> None:
    client = client_of(load_settings(live.config))
    act = {"kind": "probe.calibrate", "incubator": "box", "who": "me", "channel": "api", "idempotency": "far",
           "data": {"probe": "koji-top", "points": [[4.0, 40.0]]}}  # fmt: skip
    with pytest.raises(RefusedError, match="off by 36 C"):
        client.act(act)
    assert json.loads(live.run("probes", "calibrations", "--json").output) == []


def test_one_that_an_older_version_let_in_replays_is_left_aside_and_told(
    kitchen: Kitchen, monkeypatch: pytest.MonkeyPatch
) -> None:
    kitchen.run("batch", "start", "first")
    with monkeypatch.context() as older:
        older.setattr(Certificates, "admit", lambda self, act: None)
        kitchen.run("probes", "calibrate", "koji-top", "--point", "4 C = 40 C")
    told = "Calibration of koji-top not used: the point 4 -> 40, off by 36 C (64.8 F)"
    assert told in " ".join(kitchen.run("check").output.split())
    assert "not used" in " ".join(kitchen.run("probes", "calibrations", width=160).output.split())
    kitchen.show(koji_top=30.0, koji_low=30.0, air=29.0)
    kitchen.start()
    until(lambda: probe(kitchen, "koji-top")["value"] == pytest.approx(30.0))


def test_an_old_certificate_is_pointed_out(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    kitchen.run("probes", "calibrate", "koji-top", "--point", "0.4 C = 0 C", "--date", "2020-01-01")
    assert "2020-01-01: old, do it again" in " ".join(kitchen.run("probes", "calibrations", width=160).output.split())
    line = "Calibrated long ago: koji-top (2020-01-01). Anew: kojimon probes calibrate koji-top"
    for words in (("check",), ("status",)):
        assert line in " ".join(kitchen.run(*words).output.split())
    kitchen.run("batch", "discard", "--reason", "a test")
    assert line in " ".join(kitchen.run("batch", "start", "second").output.split())
    kitchen.show(koji_top=30.0, koji_low=30.0, air=29.0)
    kitchen.start()
    assert line in " ".join(kitchen.run("status").output.split())
    kitchen.run("probes", "calibrate", "koji-top", "--point", "0.4 C = 0 C")
    for words in (("check",), ("status",)):
        assert "Calibrated long ago" not in kitchen.run(*words).output


def test_when_it_is_old_is_a_setting_and_a_calibration_of_the_settings_grows_old_too(kitchen: Kitchen) -> None:
    dated = "koji-low, scale: 0.001, every: 1 s, calibration: {points: [{read: 0.3 C, true: 0 C}], date: 2020-01-01}"
    kitchen.settings(**{"koji-low, scale: 0.001, every: 1 s": dated})
    assert "Calibrated long ago: koji-low (2020-01-01)." in kitchen.run("check").output
    since_2020 = "clock: {trusted: true}\ncalibration: {due_after: 3650 d}"
    kitchen.settings(**{"koji-low, scale: 0.001, every: 1 s": dated, "clock: {trusted: true}": since_2020})
    assert "Calibrated long ago" not in kitchen.run("check").output


def test_boiling_water_is_true_by_pressure_or_altitude(live: Kitchen, quick: None) -> None:
    """98.31 °C under 954.6 hPa (CoolProp, calculated; two kitchen references have about 98.3 °C at 500 m)."""
    live.show(koji_top=98.9)
    until(lambda: probe(live, "koji-top")["raw"] == pytest.approx(98.9))
    words = ("probes", "calibrate", "koji-top", "--build", "sealed-hot", "--method", "boiling")
    for how in (("--pressure", "954.6"), ("--altitude", "500 m"), ("--altitude", "1640 ft")):
        said = " ".join(live.run(*words, *how, "--yes", "--within", "20 s").output.split())
        assert "Under 954.6 hPa water boils at 98.31 °C." in said
        assert "Where it says 98.90 °C, 98.31 °C is true." in said
    asked = " ".join(live.run(*words, "--within", "20 s", typed="\n1000\ny\n").output.split())
    assert "not that of a weather report" in asked and "[1013.2]" in asked
    assert "Under 1000.0 hPa water boils at 99.61 °C." in asked
    stored = json.loads(live.run("probes", "calibrations", "--json").output)
    assert "water boiling under 1000.0 hPa" in stored[0]["note"]
    both = live.run(*words, "--pressure", "954.6", "--altitude", "500 m", "--yes", code=2).output
    assert "expected one of them" in " ".join(both.split())
    assert "520 m" in live.run(*words, "--altitude", "high", "--yes", code=2).output


def test_the_altitude_of_the_settings_is_that_of_boiling_water(kitchen: Kitchen, quick: None) -> None:
    kitchen.settings(unit="C", **{"every: 1 s": "every: 0.1 s", "clock: {trusted: true}":
                                  "clock: {trusted: true}\naltitude: 500 m"})  # fmt: skip
    kitchen.show(koji_top=98.9, koji_low=30.0, air=29.0)
    kitchen.start()
    until(lambda: probe(kitchen, "koji-top")["value"] is not None)
    words = ("probes", "calibrate", "koji-top", "--build", "sealed-hot", "--method", "boiling", "--yes")
    said = " ".join(kitchen.run(*words, "--within", "20 s").output.split())
    assert "Under 954.6 hPa water boils at 98.31 °C." in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nobody",), "There is no probe 'nobody'"),
        (("koji-top", "--point", "0.4 C"), "expected what it read and what was true"),
        (("koji-top", "--point", "x = 0 C"), "--point x = 0 C"),
        (("koji-top", "--point", "30.C=30C"), "--point 30.C=30C"),
        (("koji-top", "--point", ".5 C = 0 C"), "--point .5 C = 0 C"),
        (("koji-top", "--pressure", "nan"), "'nan': expected a number"),
        (("koji-top", "--pressure", "1013."), "'1013.': expected a number"),
        (("koji-top", "--point", "0 C = 0 C", "--date", "yesterday"), "expected a day"),
    ],
)
def test_wrong_use_is_said(kitchen: Kitchen, words: tuple[str, ...], said: str) -> None:
    assert said in " ".join(kitchen.run("probes", "calibrate", *words, code=2).output.split())


def test_test_salts_are_kept_away_from_food() -> None:
    _, caution = command.STEPS[Method.SALT]
    assert "may be poison" in caution and "away from food and children" in caution
