# ruff: noqa: E501 - what a person sees stands on one line
"""Wrong input of every kind: the exact words a person sees. Each case changes one thing in a good file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.settings.files import GOOD, SMALL, refusal

D = "a duration with its unit, as in `40 h`, `10 min` or `2 d 4 h`"
SECRET = "`{file: /path/of/file}` or `{environment: NAME}`; the secret itself never stands here"
NAME = "of letters, digits, `-` and `_`, as in `top-tray` (40 at most)"
ROOT = (
    "site, units, person, incubators, sources, probes, journal, channels, speaker, heartbeat, watch, publish, web,"
    " forecast, mirror, staleness, calibration, altitude, clock, run_folder"
)

CASES = {
    # name: (what stands in the good file, what stands there instead, what is seen)
    "unknown key": ("site: cellar", "site: cellar\ncolour: red",
        f"k.yaml:2: colour: found the unknown key `colour`, expected one of {ROOT}"),
    "key misspelt": ("rice: 4 lb", "rise: 4 lb",
        "k.yaml:5: incubators.box.rise: found the unknown key `rise`, expected one of schedule, trays, rice, label, heating, box"
        " (did you mean `rice`?)"),
    "duplicate section": ("sources:", "site: attic\nsources:",
        "k.yaml:6: site: found this key a second time (first on line 1), expected each key once"),
    "duplicate probe": ("  air: {", "  koji-top: {place: air}\n  air: {",
        "k.yaml:11: probes.koji-top: found this key a second time (first on line 10), expected each key once"),
    "no for a flag": ("host: 192.0.2.10,", "host: 192.0.2.10, tls: no,",
        "k.yaml:7: sources.house.tls: found `no`, expected `true` or `false` (other YAML readers take this for yes or no)"),
    "no for a name": ("[top, middle, bottom]", "[top, no, bottom]",
        "k.yaml:5: incubators.box.trays[1]: found `no`, which other YAML readers take for yes or no,"
        f" expected quotes around it, or the name of a tray {NAME}"),
    "12:30 for a duration": ("every: 10 s", "every: 12:30",
        f"k.yaml:10: probes.koji-top.every: found `12:30`, expected {D}"
        " (other YAML readers take this for a number to the base 60)"),
    "22:00 for hours of sleep": ("22:30 to 06:30", "22:00",
        "k.yaml:3: person.sleep: found `22:00`, expected hours as in `22:30 to 06:30`"
        " (other YAML readers take this for a number to the base 60)"),
    "25 o'clock": ("22:30 to 06:30", "25:00 to 06:30",
        "k.yaml:3: person.sleep: found `25:00 to 06:30`, expected hours as in `22:30 to 06:30`"),
    "no time to sleep": ("22:30 to 06:30", "22:30 to 22:30",
        "k.yaml:3: person.sleep: found `22:30 to 22:30`, expected two different times, as in `22:30 to 06:30`"),
    "octal": ("host: 192.0.2.10,", "host: 192.0.2.10, port: 01883,",
        "k.yaml:7: sources.house.port: found `01883`, expected a whole number from 1 to 65535"),
    "octal that is one": ("host: 192.0.2.10,", "host: 192.0.2.10, port: 010,",
        "k.yaml:7: sources.house.port: found `010`, expected a whole number from 1 to 65535"
        " (other YAML readers take this for an octal number)"),
    "unit of something else": ("rice: 4 lb", "rice: 30 C",
        "k.yaml:5: incubators.box.rice: found `30 C`, expected a mass with its unit, as in `2 kg` or `4 lb`"),
    "no unit": ("rice: 4 lb", "rice: 4",
        "k.yaml:5: incubators.box.rice: found `4`, expected a mass with its unit, as in `2 kg` or `4 lb`"),
    "decimal comma": ("rice: 4 lb", 'rice: "4,5 lb"',
        "k.yaml:5: incubators.box.rice: found `4,5 lb`, expected a mass with its unit, as in `2 kg` or `4 lb`"
        " (with a decimal point: `4.5 lb`)"),
    "decimal comma between braces": ("rice: 4 lb", "rice: 4,5 lb",
        "k.yaml:5: incubators.box.5 lb: found the unknown key `5 lb`, expected one of schedule, trays, rice, label, heating, box"
        " (inside `{ }` a comma separates keys; numbers have a decimal point)"),
    "not a number": ("unit: F", "unit: F, scale: .nan",
        "k.yaml:10: probes.koji-top.scale: found `.nan`, expected a number from 0.000001 to 1000000 (0 makes every reading the same, less turns warm into cold)"
        " (other YAML readers take this for no finite number)"),
    "infinite": ("unit: F", "unit: F, scale: .inf",
        "k.yaml:10: probes.koji-top.scale: found `.inf`, expected a number from 0.000001 to 1000000 (0 makes every reading the same, less turns warm into cold)"
        " (other YAML readers take this for no finite number)"),
    "too large to be finite": ("unit: F", "unit: F, scale: 1e999",
        "k.yaml:10: probes.koji-top.scale: found `1e999`, expected a number from 0.000001 to 1000000 (0 makes every reading the same, less turns warm into cold)"),
    "scale of nothing": ("unit: F", "unit: F, scale: 0",
        "k.yaml:10: probes.koji-top.scale: found `0`, expected a number from 0.000001 to 1000000 (0 makes every reading the same, less turns warm into cold)"),
    "scale upside down": ("unit: F", "unit: F, scale: -1",
        "k.yaml:10: probes.koji-top.scale: found `-1`, expected a number from 0.000001 to 1000000 (0 makes every reading the same, less turns warm into cold)"),
    "out of range": ("rice: 4 lb", "rice: 4000 kg",
        "k.yaml:5: incubators.box.rice: found `4000 kg`, expected a mass from 0.05 kg to 200 kg"),
    "range upside down": ("unit: F", "unit: F, range: {low: 50 C, high: 100 F}",
        "k.yaml:10: probes.koji-top.range: found a range from 50 C down to 37.7778 C, expected `low` below `high`"),
    "range short of the heat limit": ("unit: F", "unit: F, range: {low: 20 C, high: 38 C}",
        "k.yaml:10: probes.koji-top.range.high: found 38 C (100.4 F), and `high_high` of stage `growing` is 45 C (113 F),"
        " expected 9 C (16.2 F) higher at least: what is outside the range raises no alarm"),
    "range short of the cold limit": ("unit: F", "unit: F, range: {low: 21 C, high: 60 C}",
        "k.yaml:10: probes.koji-top.range.low: found 21 C (69.8 F), and `low_low` of stage `settling` is 22 C (71.6 F),"
        " expected 1 C (1.8 F) lower at least: what is outside the range raises no alarm"),
    "no such schedule": ("rice-koji-home-trays", "rice-koji-home-tray",
        "k.yaml:5: incubators.box.schedule: found `rice-koji-home-tray` (did you mean `rice-koji-home-trays`?), expected a"
        " schedule: `barley-koji`, `rice-koji-home-trays`, `rice-koji-miso`, `rice-koji-sake` or `soy-sauce-koji`"),
    "a path for a schedule": ("rice-koji-home-trays", "../../etc/passwd",
        f"k.yaml:5: incubators.box.schedule: found `../../etc/passwd`, expected the name of a schedule {NAME}"),
    "no such incubator": ("in: box", "in: bx",
        "k.yaml:10: probes.koji-top.in: found `bx` (did you mean `box`?), expected the name of an incubator: `box`"),
    "no such source": ("from: house", "from: hose",
        "k.yaml:10: probes.koji-top.from: found `hose` (did you mean `house`?), expected the name of a source: `house` or `board`"),
    "no source named": ("from: house, ", "",
        "k.yaml:10: probes.koji-top: found no `from`, expected `from:` with the name of a source: `house` or `board`"),
    "no such tray": ("tray: top", "tray: tpo",
        "k.yaml:10: probes.koji-top.tray: found `tpo` (did you mean `top`?),"
        " expected a tray of its incubator: `top`, `middle` or `bottom`"),
    "no tray": ("tray: top, ", "",
        "k.yaml:10: probes.koji-top: found no `tray`, expected `tray:` with the tray it is in: `top`, `middle` or `bottom`"),
    "a tray in the air": ("place: air,", "place: air, tray: top,",
        "k.yaml:11: probes.air.tray: found a tray for a probe in `air`, expected it only with `place: bed`"),
    "two trays of one name": ("[top, middle, bottom]", "[top, middle, top]",
        "k.yaml:5: incubators.box.trays[2]: found `top` a second time, expected each once"),
    "no such place": ("place: air", "place: aire",
        "k.yaml:11: probes.air.place: found `aire`, expected `bed`, `air`, `room` or `wet-bulb` (did you mean `air`?)"),
    "unit of the other quantity": ("unit: F", 'unit: "%"',
        "k.yaml:10: probes.koji-top.unit: found `%` for a temperature, expected `C` or `F`"),
    "tolerance of the other quantity": ("unit: F", "unit: F, tolerance: 2 %",
        "k.yaml:10: probes.koji-top.tolerance: found `2 %` for a temperature,"
        " expected a temperature, as in `0.5 C` or `0.9 F`"),
    "humidity of a wet bulb": ("place: air,", "place: wet-bulb, quantity: humidity,",
        "k.yaml:11: probes.air.quantity: found `humidity` in place `wet-bulb`, expected `temperature`"),
    "two probes on one topic and path": ("  air: {", "  twin: {place: air, from: house, topic: cellar/koji, path: temperature}\n  air: {",
        "k.yaml:11: probes.twin: found the same topic and path as probe `koji-top` (line 10), expected one probe for each"),
    "two probes on one key of a line": ("  air: {", "  twin: {place: room, from: board, path: air}\n  air: {",
        "k.yaml:12: probes.air: found the same column or key as probe `twin` (line 11), expected one probe for each"),
    "overlapping wildcards": ("  air: {", "  wild: {place: air, from: house, topic: cellar/+}\n  air: {",
        "k.yaml:11: probes.wild.topic: found `cellar/+`, which overlaps `cellar/koji` of probe `koji-top` (line 10),"
        " expected topics of which no message matches two"),
    "wildcard inside a level": ("topic: cellar/koji", "topic: cellar/k+",
        "k.yaml:10: probes.koji-top.topic: found `cellar/k+`, expected an MQTT topic, as in `cellar/koji`,"
        " in which `+` fills one level and `#` all further ones"),
    "the broker's own topics": ("topic: cellar/koji", "topic: $SYS/uptime",
        "k.yaml:10: probes.koji-top.topic: found `$SYS/uptime`,"
        " expected a topic that does not begin with `$` (those are the broker's own)"),
    "our own topics": ("topic: cellar/koji", "topic: kojimon/cellar/+/state",
        "k.yaml:10: probes.koji-top.topic: found `kojimon/cellar/+/state`, which takes in what kojimon publishes itself,"
        " expected a topic outside `kojimon/cellar/#`"),
    "no path into JSON": ("path: temperature", "path: a..b",
        "k.yaml:10: probes.koji-top.path: found `a..b`, no path into JSON, expected names and positions, as in `sensors[0].temperature`"),
    "no topic": ("topic: cellar/koji, ", "",
        "k.yaml:10: probes.koji-top: found no `topic`, expected `topic:`, since `house` is a source of kind mqtt"),
    "a topic on a serial line": ("from: board, path: air", "from: board, path: air, topic: x",
        "k.yaml:11: probes.air.topic: found `topic`, expected none, since `board` is a source of kind serial"),
    "no such column": ("format: json", "format: csv, columns: [ari, koji]",
        "k.yaml:11: probes.air.path: found `air` (did you mean `ari`?), expected a column of source `board`: `ari` or `koji`"),
    "decimal comma in JSON": ("format: json", "format: json, decimal: comma",
        "k.yaml:8: sources.board.decimal: found a decimal comma for `format: json`, expected `format: csv` or `keys`; JSON"
        " has none"),
    "decimal comma between commas": ("format: json", "format: csv, decimal: comma",
        "k.yaml:8: sources.board.decimal: found a decimal comma where commas separate the columns, expected `separator:` with"
        " what stands between the columns: `;`, `tab` or `space`"),
    "columns of what has none": ("format: json", "format: json, columns: [air]",
        "k.yaml:8: sources.board.columns: found columns, expected `format: csv` with them"),
    "two sources on one port": ("probes:", "  twin: {kind: modbus, port: /dev/serial/by-id/usb-example}\nprobes:",
        "k.yaml:9: sources.twin.port: found the port `/dev/serial/by-id/usb-example`, which source `board` has as well,"
        " expected one source a port"),
    "no such kind of source": ("kind: serial", "kind: serail",
        "k.yaml:8: sources.board.kind: found `serail` (did you mean `serial`?),"
        " expected `mqtt`, `serial`, `modbus`, `kernel` or `simulated`"),
    "simulated beside real": ("{kind: serial, port: /dev/serial/by-id/usb-example, format: json}", "{kind: simulated}",
        "k.yaml:8: sources.board: found a simulated source beside 1 other,"
        " expected it alone: it drives the clock of the whole site"),
    "beside itself": ("unit: F", "unit: F, beside: koji-top",
        "k.yaml:10: probes.koji-top.beside: found `koji-top`, expected another probe: `air`"),
    "beside another place": ("unit: F", "unit: F, beside: air",
        "k.yaml:10: probes.koji-top.beside: found `air`, whose place is `air`, not `bed`,"
        " expected a probe of the same spot and quantity"),
    "calibration points of one reading": ("unit: F", "unit: F, calibration: {points: [{read: 0 C, true: 1 C}, {read: 0 C, true: 2 C}]}",
        "k.yaml:10: probes.koji-top.calibration.points: found two points that read 0,"
        " expected points with different readings"),
    "calibration of a wrong slope": ("unit: F", "unit: F, calibration: {points: [{read: 0 C, true: 0 C}, {read: 10 C, true: 20 C}]}",
        "k.yaml:10: probes.koji-top.calibration.points: found the points 0 -> 0 and 10 -> 20, a slope of 2.00,"
        " expected a slope from 0.8 to 1.2; measure both again"),
    "calibration no probe needs": ("unit: F", "unit: F, calibration: {points: [{read: 4 C, true: 40 C}]}",
        "k.yaml:10: probes.koji-top.calibration.points: found the point 4 -> 40, off by 36 C (64.8 F), expected 5 C (9 F) at"
        " most: no working temperature probe is further off; look at the set-up"),
    "calibration points too near": ("unit: F",
        "unit: F, calibration: {points: [{read: 30 C, true: 30 C}, {read: 30.5 C, true: 30.55 C}]}",
        "k.yaml:10: probes.koji-top.calibration.points: found points only 0.5 C (0.9 F) apart, expected 10 C (18 F) at least"
        " between the outermost, or one point alone"),
    "a day that is none": ("unit: F", "unit: F, calibration: {points: [{read: 0 C, true: 1 C}], date: 2026-02-30}",
        "k.yaml:10: probes.koji-top.calibration.date: found `2026-02-30`, expected a date that exists, as in `2026-11-25`"),
    "a secret in the file": ("password: {file: mqtt-password}", "password: hunter2",
        f"k.yaml:7: sources.house.password: found a text (not repeated here), expected {SECRET}"),
    "a secret as a key": ("password: {file: mqtt-password}", "password: {hunter2: x}",
        f"k.yaml:7: sources.house.password: found other keys (not repeated here), expected {SECRET}"),
    "two places of a secret": ("password: {file: mqtt-password}", "password: {file: a, environment: B}",
        f"k.yaml:7: sources.house.password: found other keys (not repeated here), expected {SECRET}"),
    "a secret in an address": ("site: cellar", 'site: cellar\nmirror: {url: "http://me:hunter2@x", organisation: o, bucket: b}',
        "k.yaml:2: mirror.url: found a text that may hold a password (not repeated here),"
        " expected an address as in `http://192.0.2.20:8086` (a token or password goes into its own setting)"),
    "a password without a user": ("user: kojimon, ", "",
        "k.yaml:7: sources.house.password: found a password without a user, expected `user:` beside it"),
    "acts from everybody": ("site: cellar", "site: cellar\npublish: {to: open, accept_acts: true}",
        "k.yaml:2: publish.to: found `open`, expected an MQTT source: `house`"),
    "open page without a token": ("site: cellar", "site: cellar\nweb: {host: 0.0.0.0}",
        "k.yaml:2: web.host: found `0.0.0.0`, open to the network, without a token,"
        " expected `token:` with it, or `host: 127.0.0.1`"),
    "looking free, acting too": ("site: cellar", "site: cellar\nweb: {look: free}",
        "k.yaml:2: web.look: found `free` without a token, expected `token:` with it, which acting then needs"),
    "no such way to look": ("site: cellar", "site: cellar\nweb: {look: all, token: {file: t}}",
        "k.yaml:2: web.look: found `all`, expected `token` or `free`"),
    "no such zone": ("Europe/Lisbon", "Portugal/Lisbon",
        "k.yaml:3: person.zone: found `Portugal/Lisbon`, expected a time zone of the IANA list, as in `Europe/Lisbon`"
        " (did you mean `Europe/Lisbon`?)"),
    "merge key": ("site: cellar", "site: cellar\njournal: {<<: {ballast: 1 MB}}",
        "k.yaml:2: journal: found the merge key `<<`, expected the values written out"),
    "empty value": ("site: cellar", "site:",
        f"k.yaml:1: site: found nothing, expected the name of the site {NAME}"),
    "number for a name": ("site: cellar", "site: 1.5",
        f"k.yaml:1: site: found `1.5`, expected the name of the site {NAME}"),
    "list for a map": ("  box: {schedule", "  - {schedule",
        "k.yaml:4: incubators: found a list, expected a map of incubators"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_a_person_sees(tmp_path: Path, name: str) -> None:
    good, bad, seen = CASES[name]
    assert good in GOOD
    text = GOOD.replace(good, bad, 1)
    if name == "our own topics":
        text += "publish: {to: house}\n"
    assert seen in refusal(tmp_path, text)


@pytest.mark.parametrize("name", CASES)
def test_no_fault_hides_one_elsewhere(tmp_path: Path, name: str) -> None:
    """Each case again, with a fault in the first and one in the last section beside it."""
    good, bad, seen = CASES[name]
    text = GOOD.replace(good, bad, 1) + "staleness: {periods: x}\njournal: {ballast: 8 kB}\n"
    if name == "our own topics":
        text += "publish: {to: house}\n"
    told = refusal(tmp_path, text)
    assert seen in told
    assert any("staleness.periods: found `x`, expected a number from 1 to 100" in line for line in told)
    assert any("journal.ballast: found `8 kB`, expected a size with its unit, as in `8 MB`" in line for line in told) or (
        name == "merge key"
    )


def test_a_scenario_that_the_simulator_does_not_have(tmp_path: Path) -> None:
    text = SMALL.replace("kind: mqtt, host: 192.0.2.10", "kind: simulated, scenario: heathy")
    (told,) = refusal(tmp_path, text)
    assert told.startswith("k.yaml:2: sources.house.scenario: found `heathy` (did you mean `healthy`?), expected a scenario: `")


def test_the_good_file_is_good(tmp_path: Path) -> None:
    assert refusal(tmp_path, GOOD) == []


def test_acts_need_a_broker_that_knows_its_users(tmp_path: Path) -> None:
    text = (
        GOOD.replace(", user: kojimon, password: {file: mqtt-password}", "")
        + "publish: {to: house, accept_acts: true}\n"
    )
    assert refusal(tmp_path, text) == [
        "k.yaml:12: publish.accept_acts: found `true`, and source `house` has no user and password, expected `user:` and"
        " `password:` at `sources.house`: else everybody in the network can mark steps"
    ]
    assert refusal(tmp_path, GOOD + "publish: {to: house, accept_acts: true}\n") == []
    assert refusal(tmp_path, GOOD + "publish: {accept_acts: true}\n") == [
        "k.yaml:12: publish.accept_acts: found `true` without a broker, expected `to:` with an MQTT source"
    ]


def test_no_message_repeats_a_secret(tmp_path: Path) -> None:
    places = ["hunter2", "[hunter2]", "*hunter2", "!hunter2 x", "{file: [hunter2]}", "{file: {hunter2: x}}", "{environment: hunter2!}",
              "{hunter2: x, hunter2: y}", "{file: 123, hunter2: y}", "'hunter2'"]  # fmt: skip
    for place in places:
        told = refusal(tmp_path, GOOD.replace("{file: mqtt-password}", place))
        assert told
        assert "hunter2" not in "".join(told)


@pytest.mark.parametrize(
    ("line", "written", "meant"),
    [
        ("probes:", "sensors:", "probes"), ("probes:", "Sensor:", "probes"), ("incubators:", "boxes:", "incubators"),
        ("sources:", "inputs:", "sources"), ("schedule:", "recipe:", "schedule"), ("schedule:", "recipie:", "schedule"),
        ("place: bed", "position: bed", "place"), ("every:", "interval:", "every"), ("from:", "source:", "from"),
    ],
)  # fmt: skip
def test_another_word_for_a_setting_leads_to_it_and_hides_nothing(
    tmp_path: Path, line: str, written: str, meant: str
) -> None:
    assert line in GOOD
    (told,) = refusal(tmp_path, GOOD.replace(line, written, 1))
    assert f"found the unknown key `{written.partition(':')[0]}`" in told
    assert told.endswith(f"(did you mean `{meant}`?)")
