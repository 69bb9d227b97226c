"""A batch that no probe measures, from settings to review: told by command, by page and over HTTP."""

from __future__ import annotations

import csv
import json
import re
import urllib.error
import urllib.request
from typing import Any

import pytest

from kojimon.settings.load import load_settings
from kojimon.web.client.local import Client
from tests.cli.conftest import Kitchen

pytestmark = pytest.mark.slow

SETTINGS = """\
site: home
units: {{temperature: F, mass: lb}}
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, bottom], rice: 4 lb}}
sources: {{}}
probes: {{}}
journal: {{file: kojimon.journal, ballast: 0 MB}}
run_folder: {folder}/run
clock: {{trusted: true}}
web: {{port: 0}}
"""


def plain(text: str) -> str:
    return " ".join(text.split())


def post(url: str, body: Any) -> tuple[int, Any]:
    data = json.dumps(body).encode()
    asked = urllib.request.Request(url, data, {"Content-Type": "application/json"})
    try:
        with urllib.request.urlopen(asked, timeout=30) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.load(error)


def test_from_settings_to_review(kitchen: Kitchen) -> None:
    kitchen.config.write_text(SETTINGS.format(folder=kitchen.folder), encoding="utf-8")
    assert "No probe: the schedule runs on its hours" in plain(kitchen.run("check").stdout)
    kitchen.start()
    kitchen.run("batch", "start", "first", "--rice", "4", "lb")
    refused = plain(kitchen.run("batch", "done", "inoculate", code=1).stderr)
    assert refused.startswith("Cool enough, and still warm enough? No probe")
    assert "Read by hand: koji 88.0 °F." in kitchen.run("reading", "88", "F").stdout
    assert "Cool enough? Yes, 88.0 °F by the kitchen thermometer." in plain(
        kitchen.run("batch", "done", "inoculate", "--ago", "20", "h", "--thermometer", "88", "F").stdout
    )
    back = plain(kitchen.run("reading", "93", "F", "--tray", "top", "--ago", "2", "h").stdout)
    assert "top tray 93.0 °F. Saved for the curve; it raises no alarm." in back
    assert "check the unit" in kitchen.run("reading", "95", "C", code=1).stderr
    asleep = plain(kitchen.run("forecast").stdout)
    assert "No forecast: that takes a probe in the koji or its air." in asleep
    kitchen.run("reading", "97", "F", "--tray", "top")
    assert "Read by hand: top tray 130.0 °F." in plain(kitchen.run("reading", "130", "F", "--tray", "top").stdout)
    assert "Taken back: top tray 130.0 °F, read by hand" in plain(kitchen.run("undo", "reading").stdout)
    kitchen.run("reading", "80", "%")
    status = plain(kitchen.run("status").stdout)
    assert "The koji is at 88.0 to 97.0 °F, read by hand now" in status
    assert "By hand: top tray 97.0 °F" in status and "By hand: box humidity 80 %" in status
    assert "No probe measures the top tray, the bottom tray and the air in the box." in status

    hot = plain(kitchen.run("reading", "110", "F", "--tray", "top").stdout)
    assert "Top tray" in hot and "110" in hot
    alarms = json.loads(kitchen.run("alarms", "--json").stdout)
    assert [(row["key"], row["priority"], row["tray"]) for row in alarms] == [
        ("limit/bed/temperature/high", "wake", "top")
    ]  # fmt: skip

    settings = load_settings(kitchen.config)
    client = Client.for_journal(settings.journal.path, settings.run_folder)
    url = f"{client.post('/v1/page', {})['addresses'][0]}v1/readings"
    body = {
        "readings": [
            {"value": 96, "unit": "F", "tray": "top", "at_ago_s": 7200},
            {"value": 96, "unit": "C", "tray": "top"},
            {"value": 99, "unit": "F", "tray": "top"},
        ],
        "idempotency": "board-1",
    }
    code, done = post(url, body)
    assert (code, [row["taken"] for row in done["readings"]]) == (200, [True, False, True])
    assert "check the unit" in done["readings"][1]["error"]
    again = post(url, body)[1]["readings"]
    assert [(row["taken"], row["repeated"]) for row in again] == [(False, True)] * 3
    changed = {**body, "readings": [*body["readings"][:2], {"value": 112, "unit": "F", "tray": "top"}]}
    told = post(url, changed)[1]["readings"]
    assert [(row["taken"], row["repeated"]) for row in told] == [(False, True), (False, True), (False, False)]
    assert "came before with something else" in told[2]["error"]
    late = {"readings": [{"value": 118, "unit": "F", "tray": "bottom", "at_ago_s": 90}]}
    assert "118 °F is over the limit" in post(url, late)[1]["readings"][0]["note"]
    assert "before batch 'first' began" in kitchen.run("reading", "70", "F", "--ago", "3 days", code=1).stderr
    assert post(url, {"readings": []})[0] == 400
    assert post(url, {"readings": body["readings"][:1] * 61})[0] == 400
    after = json.loads(kitchen.run("alarms", "--json").stdout)
    assert all(not row["active"] for row in after), "the next reading ended it"

    kitchen.run("export", "first", "-o", "first.csv")
    with (kitchen.folder / "first.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {"bed-by-hand.temperature_f", "bed-top-by-hand.temperature_f", "air-by-hand.humidity_pct"} <= set(rows[0])
    top = [float(row["bed-top-by-hand.temperature_f"]) for row in rows if row["bed-top-by-hand.temperature_f"]]
    assert sorted(top) == [93.0, 96.0, 97.0, 99.0, 110.0]
    sheet = client.get("/v1/curve")["sheet"]
    tracks = {track["label"]: track["runs"] for track in sheet["tracks"]}
    assert [len(run) for run in tracks["top tray, by hand"]] == [1] * 5, "points, and no line where nobody looked"
    kitchen.run("batch", "harvest", "--yield", "4.8", "lb")
    assert kitchen.stop()[0] == 0

    review = plain(kitchen.run("review").stdout)
    assert "read by hand" in review.lower()
    rehearsed = kitchen.run("rehearse", "first.csv", "--schedule", "rice-koji-sake").stdout
    assert "no reading" not in rehearsed.lower() and "silent" not in rehearsed.lower()


def test_a_box_of_one_tray_is_told_each_thing_once_and_what_to_type(kitchen: Kitchen) -> None:
    text = SETTINGS.format(folder=kitchen.folder).replace("[top, bottom]", "[tray]")
    kitchen.config.write_text(text, encoding="utf-8")
    kitchen.start()
    begun = plain(kitchen.run("batch", "start", "first").stdout)
    assert begun.count("Put the box on a socket") == begun.count("Local codes") == 1
    wrong = plain(kitchen.run("reading", "95", "F", "--tray", "top", code=1).stderr)
    assert "has no tray 'top': it has tray; leave the tray out." in wrong
    kitchen.run("reading", "88", "F")
    kitchen.run("batch", "done", "inoculate", "--thermometer", "88", "F")
    status = plain(kitchen.run("status").stdout)
    assert status.count("By hand: koji") == 1
    assert re.search(r"cover the trays 4 h left .* When done: \S*kojimon.* batch done wrap", status), status
    ended = plain(kitchen.run("batch", "harvest").stdout)
    assert "export first -o first.csv" in ended and "batch label first" in ended
    late = plain(kitchen.run("batch", "start", "first", "--hours-ago", "38", "h").stdout)
    assert late.count("No probe is in the koji: whether it has warmed itself cannot be known.") == 1
    assert "export box-" in plain(kitchen.run("batch", "harvest").stdout)  # two are called first
