"""Every setting of the site, described once: name, kind, unit, default, help. Sources and probes stand in `devices.py`.

The loader, the JSON Schema and `config/kojimon.example.yaml` are made from these tables; defaults are the records' own.
"""

from __future__ import annotations

from typing import Any, Final

from kojimon.document.report import Report
from kojimon.document.shapes import FAILED, Each, Field, Items, Json, Map
from kojimon.document.tree import Mapping, Node
from kojimon.document.values import (
    Choice,
    Name,
    choice,
    duration,
    flag,
    mass,
    megabytes,
    number,
    path_text,
    text,
    whole,
)
from kojimon.model import BoxKind, Cover
from kojimon.settings import spec
from kojimon.settings.devices import PROBES, SOURCES
from kojimon.settings.kinds import SecretPlace, height, host, sleep_hours, web_address, zone
from kojimon.settings.people import CHANNELS, HEARTBEAT, SPEAKER, WATCH
from kojimon.units import MASS_MOST_KG

DAY_S: Final = 86_400.0

UNITS: Final = Map(
    "a map with `temperature` and `mass`",
    [
        Field("temperature", Choice({"C": False, "F": True}), "Unit of temperatures on screens and in messages.",
              "fahrenheit"),
        Field("mass", Choice({"kg": False, "lb": True}), "Unit of masses on screens and in messages.", "pounds"),
    ],
    spec.Units,
)  # fmt: skip

PERSON: Final = Map(
    "a map with `zone`, `sleep`, ...",
    [
        Field("zone", zone(), "Where you live: dates, times and sleeping hours are in this zone."),
        Field(
            "sleep",
            sleep_hours(),
            "When you sleep. Only what needs you within the hour wakes you; the rest waits for the morning.",
            default=(spec.Person().sleep_from, spec.Person().sleep_to),
        ),
        Field(
            "wake",
            duration(0, 2 * 3600),
            "How long you need from a message until you are up and dressed. Without it the schedule's time to respond"
            " counts.",
            "wake_s",
            example="10 min",
        ),
        Field(
            "travel",
            duration(0, 6 * 3600),
            "Your way from there to the koji. With `wake` or `travel` set, a forecast that is sure enough wakes you"
            " before the koji is too hot, so that you are there in time.",
            "travel_s",
            example="20 min",
        ),
    ],
    spec.Person,
)

FORECAST: Final = Map(
    "a map with `use`",
    [
        Field("use", flag(), "Make a forecast of the koji each minute of a batch; it costs some 40 MB of memory while"
              " a batch is open."),
    ],
    spec.ForecastSettings,
)  # fmt: skip

BOX: Final = Map(
    "a map with `kind` and `cover`",
    [
        Field("kind", choice(*BoxKind),
              "`still`: its heater has a thermostat in the box's air, and no fan. `fan`: warm air is blown over the"
              " trays. `heat-mat`: a warm mat below, and the air follows the room. `oven-light`: a lamp or another"
              " steady heat without a thermostat. `unknown`: kojimon says nothing that could be wrong in one."),
        Field("cover", choice(*Cover),
              "How the rice is covered: `open`, with a damp `cloth`, or with `cloth-and-plastic` that has holes."),
    ],
    spec.Box,
)  # fmt: skip

INCUBATOR: Final = Map(
    "an incubator (`schedule`, `trays`, ...)",
    [
        Field(
            "schedule",
            Name("the name of a schedule"),
            "How the koji is made. A file NAME.yaml in the folder `schedules` beside this file, or one that came with"
            " kojimon: `rice-koji-home-trays`, `rice-koji-sake`, `rice-koji-miso`, `barley-koji`, `soy-sauce-koji`.",
            required=True,
            meant=("recipe", "program", "profile"),
        ),
        Field(
            "trays",
            Items("a list of trays, as in `[top, bottom]`", Name("the name of a tray"), least=1, most=12, unique=True),
            "Its trays from top to bottom, by the names you call them.",
            meant=("shelves", "levels"),
        ),
        Field("rice", mass(0.05, MASS_MOST_KG), "White rice (or other raw grain) in a usual batch, dry.", "rice_kg",
              example="2 kg"),
        Field("label", text("a text of one line", 60), "Its name on screens.", example="The box in the cellar"),
        Field("heating", text("a text of one line"), "What heats it, for your own notes.",
              example="tube heater 45 W with its own thermostat and cut-out"),
        Field("box", BOX, "What kind of box it is: that decides what its air means, and what is advised.",
              example="{kind: fan, cover: cloth-and-plastic}"),
    ],
    spec.Incubator,
)  # fmt: skip

JOURNAL: Final = Map(
    "a map with `file`, `backup_folder`, ...",
    [
        Field("file", path_text("the path of a file"),
              "The journal: one SQLite file with everything measured and done.", "path"),
        Field(
            "commit_every",
            duration(1, 300),
            "How long readings may wait before they are written to the disk. A power cut loses at most so much; events"
            " are always written at once.",
            "commit_every_s",
        ),
        Field("ballast", megabytes(0, 1024), "Space kept in reserve and given up when the disk is full.",
              "ballast_mb"),
        Field("backup_folder", path_text("the path of a folder"),
              "Folder for a copy of the journal every night; best on another disk. Without it there is no copy.",
              example="/media/backup"),
        Field("thin_after", duration(DAY_S, 3650 * DAY_S, per_s=DAY_S),
              "When readings between batches are thinned to one a minute. Readings of a batch are kept whole.",
              "thin_after_days"),
    ],
    spec.JournalSettings,
)  # fmt: skip

MIRROR: Final = Map(
    "a map with `url`, `organisation`, `bucket` and `token`",
    [
        Field("url", web_address(), "Address of a time-series server that speaks the InfluxDB v2 write protocol.",
              required=True, example="http://192.0.2.20:8086"),
        Field("organisation", text("a text of one line"), "Organisation on that server.", required=True,
              example="cellar"),
        Field("bucket", text("a text of one line"), "Bucket on that server.", required=True, example="koji"),
        Field("token", SecretPlace(), "Token that may write to the bucket.",
              example="{file: /etc/kojimon/mirror-token}"),
    ],
    spec.MirrorSettings,
)  # fmt: skip

PUBLISH: Final = Map(
    "a map with `to` and `accept_acts`",
    [
        Field("to", Name("the name of an MQTT source"),
              "MQTT source to whose broker state and alarms are published below `kojimon/SITE/`.", "source",
              example="house"),
        Field("accept_acts", flag(),
              "Whether a button may mark steps and acknowledge alarms over MQTT. Only with a user and a password, so"
              " that not everybody in the network can."),
    ],
    spec.PublishSettings,
)  # fmt: skip

WEB: Final = Map(
    "a map with `host`, `port`, `token`, ...",
    [
        Field("host", host(), "Address the page listens on: `127.0.0.1` for this computer alone, `0.0.0.0` for all"
              " in the network (then with a token)."),
        Field("port", whole(0, 65_535), "TCP port of the page; 0 takes a free one."),
        Field("token", SecretPlace(), "Word with which a browser in the network signs in.",
              example="{file: /etc/kojimon/page-token}"),
        Field("look", Choice({"token": False, "free": True}),
              "What the token is for: `token`, to look and to act; `free`, everybody in the network may look, and"
              " only acting needs it.", "look_free"),
        Field("hosts", Items("a list of host names", host(), most=20),
              "Names of the page in the network, beside its address.", "allowed_hosts",
              example="[kojimon.local]"),
    ],
    spec.WebSettings,
)  # fmt: skip

STALENESS: Final = Map(
    "a map with `periods` and `at_least`",
    [
        Field("periods", number(1, 100), "A probe has no reading after so many of its own intervals ..."),
        Field("at_least", duration(10, 3600), "... and not before so long.", "at_least_s"),
    ],
    spec.Staleness,
)

CALIBRATION: Final = Map(
    "a map with `due_after`",
    [
        Field("due_after", duration(DAY_S, 3650 * DAY_S, per_s=DAY_S),
              "A calibration older than this is pointed out by `check`, `status`, `probes calibrations` and at the"
              " start of a batch. Once a year is common practice.", "due_after_days"),
    ],
    spec.CalibrationSettings,
)  # fmt: skip

CLOCK: Final = Map(
    "a map with `trusted`",
    [
        Field(
            "trusted",
            flag(),
            "Trust the computer's clock even where no time service confirms it: for a computer with a battery clock"
            " and no network.",
            default=False,
        )
    ],
)

class _Site(Map):
    """The settings as a whole. A machine that only watches another site needs neither incubators nor probes."""

    ONLY_HERE: Final = ("incubators", "probes")

    def read(self, node: Node, path: str, report: Report) -> Any:
        values = super().read(node, path, report)
        if not isinstance(node, Mapping) or values is FAILED:
            return values
        there = {entry.key.text for entry in node.entries} | set(values)  # one by another word is read as well
        for key in self.ONLY_HERE:
            if key not in there and "watch" not in there:
                no_probe = "; `{}` where everything is read by hand" if key == "probes" else ""
                wanted = f"expected `{key}:` {self.field(key).shape.what}{no_probe}"
                report.form(node.line, path, f"found no `{key}`", wanted)
        return values

    def schema(self, defs: Json) -> Json:
        without = {"not": {"required": ["watch"]}}
        return super().schema(defs) | {"if": without, "then": {"required": list(self.ONLY_HERE)}}


SITE: Final = _Site(
    "the settings (`site`, `incubators`, `sources`, `probes`, ...)",
    [
        Field("site", Name("the name of the site"), "Name of this place, in messages and MQTT topics.", default="home"),
        Field("units", UNITS, "What you read. Files may use either unit at any place."),
        Field("person", PERSON, "The one who does the work."),
        Field("incubators", Each("a map of incubators", Name("the name of an incubator"), INCUBATOR, most=20),
              "The boxes in which koji is made, each by a name of your own. Needed unless you only use `watch`.",
              meant=("box", "boxes")),
        Field("sources", SOURCES, "Where readings come from, each by a name of your own. `{}` where all is read by"
              " hand.", required=True, meant=("inputs", "devices", "brokers")),
        Field("probes", PROBES, "What is measured where, each by a name of your own. `{}` for none: the schedule then"
              " runs on its hours, and on what you read by hand (`kojimon reading`).",
              meant=("sensor", "sensors", "thermometers")),
        Field("journal", JOURNAL, "Where everything is saved."),
        Field("channels", CHANNELS, "How you are reached, each way by a name of your own.",
              meant=("alerts", "messages", "notifications")),
        Field("speaker", SPEAKER, "The loudspeaker of this computer: works without network and account."),
        Field("heartbeat", HEARTBEAT, "Heartbeats, so that somebody outside notices when this computer fails."),
        Field("watch", WATCH, "Other kojimons whose heartbeats are watched from here."),
        Field("publish", PUBLISH, "State and alarms over MQTT, for displays and buttons."),
        Field("web", WEB, "The page and its programming interface."),
        Field("forecast", FORECAST, "What the koji will do, and whether you may sleep."),
        Field("mirror", MIRROR, "A copy of the readings in a time-series server."),
        Field("staleness", STALENESS, "When a probe without readings raises an alarm."),
        Field("calibration", CALIBRATION, "When probes are due for calibration."),
        Field("altitude", height(-500, 4500), "How high above the sea the koji is made: air pressure follows from it,"
              " and from that the humidity by a wet bulb and the temperature of boiling water.", "altitude_m",
              default=0.0),
        Field("clock", CLOCK, "The computer's clock."),
        Field("run_folder", path_text("the path of a folder"),
              "Folder for the local socket; without it one of the system's.", example="/run/kojimon", default=""),
    ],
)  # fmt: skip
