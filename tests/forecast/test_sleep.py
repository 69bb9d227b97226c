"""May one sleep? The first line of a forecast; and a recorded curve as if live."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from msgspec.structs import replace

from kojimon.cli.commands.forecast import forecast
from kojimon.cli.commands.recorded import recorded_of
from kojimon.cli.commands.rehearse import SPARSE
from kojimon.errors import KojimonError
from kojimon.forecast import words
from kojimon.journal.reading.curve_file import read_curve
from kojimon.schedule.load import find_schedule, load_schedule
from kojimon.words.outlook import NO_PROBE, NOT_INSTALLED
from tests.forecast import bedtruth
from tests.parts.outlooks import calm_answer, limit_answer, made

IDLE = replace(made().mix, best_in_h=None)
may = words.sleep
SETTINGS = """
incubators:
  box: {schedule: rice-koji-home-trays, box: {kind: fan, cover: open}}
sources:
  house: {kind: mqtt, host: 192.0.2.10}
probes:
  koji: {place: bed, topic: cellar/koji}
"""
CALM, SURE = "nothing is likely to need you", "(9 chances in 10)"


def clock(in_h: float) -> str:
    minutes = round(in_h * 60) + 60
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def test_until_when_one_may_sleep() -> None:
    forecast = made(24.0, limit_answer(43.0, 4.8), mix=IDLE)
    assert may(forecast, clock) == f"{CALM} before 05:30 {SURE}"
    assert may(forecast) == f"{CALM} for 4 h 30 min {SURE}"
    assert may(made(24.0, calm_answer(43.0), mix=IDLE), clock) == f"{CALM} before 13:00 {SURE}; the forecast ends there"


def test_what_makes_it_doubtful_comes_first() -> None:
    hot = limit_answer(43.0, 0.2)
    soon, unknown = made(24.0, hot), made(24.0, hot, known=False, why_not="Not yet.")
    assert may(soon).startswith("stay up: 9 chances in 10 that it needs you within 30 min")
    assert may(unknown) == "cannot say whether you may sleep. Not yet."
    not_yet = made(24.0, hot, known=False, why_not="Not yet: the koji has not begun to warm by itself.")
    assert may(not_yet) == "cannot say whether you may sleep. The koji has not begun to warm by itself."
    wrong = made(check=replace(made().check, contradicts=True, miss_k=2.0))
    assert may(wrong).startswith("do not rely on it")
    assert words.sleep_first(wrong)[1].startswith("The koji is 2.0 °C warmer than forecast")


def test_sleeping_and_mixing_do_not_contradict_each_other() -> None:
    """One sentence says both: when it is best mixed, and until when it is not likely to need a hand left alone."""
    calm = made(24.0, limit_answer(43.0, 4.8))
    assert may(calm, clock) == f"best mixed 02:30; left alone, the koji is not likely to need you before 05:30 {SURE}"
    now = replace(calm, mix=replace(calm.mix, best_in_h=0.0))
    said = words.sleep_first(now)
    assert said[0] == f"best mixed now; left alone, the koji is not likely to need you for 4 h 30 min {SURE}"
    assert not any("nothing is likely" in text for text in said)


def test_a_cold_koji_needs_a_hand_too() -> None:
    cold = tuple(0.0 if hour < 2.0 else 0.3 for hour in made().quiet_in_h)
    assert may(made(24.0, calm_answer(43.0), too_cold=cold, mix=IDLE)) == f"{CALM} for 1 h 30 min {SURE}"
    said = words.sleep_first(made(24.0, calm_answer(43.0), too_cold=cold, low_c=26.0))
    assert "Cold is the risk: under 26.0 °C within 12 h: 3 chances in 10." in said


@pytest.fixture
def curve(tmp_path: Path) -> Path:
    batch = bedtruth.one()
    lines = ["hour,bed.temperature_c,bed-2.temperature_c,air.temperature_c,step"]
    for at in range(0, 25 * 60, 10):
        bed_c, step = batch.bed_c[at], "first-check" if at == 600 else ""
        lines.append(f"{at / 60:.3f},{bed_c:.2f},{bed_c - 1:.2f},{batch.air_c[at]:.2f},{step}")
    path = tmp_path / "curve.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_curve_file_as_the_daemon_would_have_told_it(curve: Path) -> None:
    found = find_schedule("rice-koji-home-trays", curve.parent)
    assert found is not None
    plan = load_schedule(found)
    recorded = recorded_of(read_curve(curve), plan, "curve")
    first, hottest = recorded.readings[0], bedtruth.one().bed_c[0]
    assert first[0] == 30.0 and first[1] == pytest.approx(hottest, abs=0.01) and first[3] is None
    assert recorded.works == ((36_000.0, "mix"),)


def test_a_few_readings_by_hand_are_no_curve_to_forecast_from(tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_text("hour,bed.temperature_f,step\n0,90,inoculate\n10,86,\n22.5,101.3,mix\n30,112,\n44,100,\n")
    done = CliRunner().invoke(forecast, ["--from", str(path), "--every", "6h"])
    assert isinstance(done.exception, KojimonError), done.output
    assert str(done.exception) == f"{path}: {SPARSE} {NO_PROBE}"


def test_koji_read_by_hand_beside_an_air_probe_is_told_with_its_age(tmp_path: Path) -> None:
    path, by_hand = tmp_path / "few.csv", {0: "32.0", 10: "30.0"}
    rows = [f"{m / 60:.3f},{by_hand.get(m / 60, '')},29.0" for m in range(0, 12 * 60 + 1, 10)]
    path.write_text("\n".join(["hour,bed.temperature_c,air.temperature_c", *rows, ""]))
    done = CliRunner().invoke(forecast, ["--from", str(path), "--every", "5h"])
    assert done.exit_code == 0, done.output
    told = [line.partition(": ")[0] for line in done.output.splitlines() if line.startswith("Hour")]
    assert told[1] == "Hour 5.00, koji last read 5 h ago" and told[2].endswith("°C"), told


def test_over_a_recorded_curve_every_forecast_is_printed(curve: Path) -> None:
    done = CliRunner().invoke(forecast, ["--from", str(curve), "--every", "6h"])
    assert done.exit_code == 0, done.output
    hours = [line.split()[1].rstrip(":,") for line in done.output.splitlines() if line.startswith("Hour")]
    assert hours == ["0.00", "6.00", "12.00", "18.00", "24.00"]
    text = " ".join(done.output.split())
    assert f"Hour 6.00, 30.4 °C: {CALM} for 12 h {SURE}" in text, "it speaks before the koji warms itself"
    plain = CliRunner().invoke(forecast, ["--from", str(curve), "--every", "12h", "--json"])
    made = json.loads(plain.output)["forecasts"]
    assert [one["at_s"] for one in made] == [0.0, 43_200.0, 86_400.0]
    assert {one["change"] for one in made[-1]["what_if"]} == {"box-2c-lower", "spread-thinner", "mix-now"}


def test_what_was_only_read_by_hand_is_refused_as_live(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text("hour,bed-by-hand.temperature_f\n0,\n44,97.0\n", encoding="utf-8")
    done = CliRunner().invoke(forecast, ["--from", str(path)])
    assert isinstance(done.exception, KojimonError) and str(done.exception) == NO_PROBE


def test_a_curve_that_does_not_say_when_the_spores_went_on(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_text("time,bed.temperature_c\n2026-01-01T00:00:00Z,31.0\n", encoding="utf-8")
    done = CliRunner().invoke(forecast, ["--from", str(path)])
    assert isinstance(done.exception, KojimonError) and "`inoculate`" in str(done.exception)


def test_without_its_library_it_says_so(curve: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kojimon.cli.commands.recorded.has_part", lambda part: False)
    done = CliRunner().invoke(forecast, ["--from", str(curve)])
    assert str(done.exception) == NOT_INSTALLED


def test_schedule_and_box_come_from_the_settings(curve: Path, tmp_path: Path) -> None:
    config = tmp_path / "kojimon.yaml"
    config.write_text(SETTINGS, encoding="utf-8")
    done = CliRunner().invoke(forecast, ["--from", str(curve), "--every", "24h", "--json", "--config", str(config)])
    assert done.exit_code == 0, done.output
    made = json.loads(done.output)
    assert (made["schedule"], made["box"]) == ("rice-koji-home-trays", {"kind": "fan", "cover": "open"})
    assert made["forecasts"][0]["low_c"] == 26.0 and made["forecasts"][0]["too_cold"]
    other = ["--schedule", "rice-koji-sake"]
    asked = ["--from", str(curve), "--every", "24h", "--json", "--config", str(config)]
    done = CliRunner().invoke(forecast, [*asked, *other])
    assert json.loads(done.output)["schedule"] == "rice-koji-sake"


def test_forecasts_over_a_folder_are_held_against_what_came(curve: Path) -> None:
    (curve.parent / "second.csv").write_bytes(curve.read_bytes())
    asked = ["--from", str(curve.parent), "--score", "--every", "2h", "--schedule", "rice-koji-home-trays"]
    done = CliRunner().invoke(forecast, asked)
    text = " ".join(done.output.split())
    assert done.exit_code == 0 and ": 2 curves, a forecast every 120 min" in text, done.output
    assert "2 h ahead" in text and "As warm as was likely" in text
    plain = json.loads(CliRunner().invoke(forecast, [*asked, "--json"]).output)
    alone = json.loads(CliRunner().invoke(forecast, [*asked[:1], str(curve), *asked[2:], "--json"]).output)
    assert [lead["count"] for lead in plain["leads"]] == [2 * lead["count"] for lead in alone["leads"]]
    assert sum(night["count"] for night in plain["nights"]) > 0
    empty = CliRunner().invoke(forecast, ["--from", str(curve.parent.parent / "none"), "--score"])
    assert isinstance(empty.exception, KojimonError)
