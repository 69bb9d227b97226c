"""Sources and probes, described once: name, kind, unit, default, help."""

from __future__ import annotations

from typing import Final

from kojimon.document.shapes import Each, Field, Items, Map, Tagged
from kojimon.document.values import Choice, Name, amount, choice, duration, flag, number, path_text, text, whole
from kojimon.model import Place, Quantity
from kojimon.settings import spec
from kojimon.settings.kinds import SecretPlace, day, host, topic_filter

_PORT: Final = Field(
    "port",
    path_text("the path of a serial port"),
    "Serial port, best by the name that stays the same: /dev/serial/by-id/...",
    required=True,
)
_BAUD: Final = Field("baud", whole(300, 4_000_000), "Speed of the line.")
_POLL: Final = Field("poll_every", duration(0.1, 3600), "How often it is read.", "poll_every_s")

MQTT: Final = Map(
    "an MQTT broker",
    [
        Field("host", host(), "Name or address of the broker.", required=True),
        Field("port", whole(1, 65_535), "TCP port of the broker; 8883 is usual with `tls: true`."),
        Field("version", Choice({"5": 5, "3.1.1": 3}), "Version of MQTT."),
        Field("user", text("a user's name"), "User at the broker.", example="kojimon"),
        Field("password", SecretPlace(), "Password of that user.", example="{file: /etc/kojimon/mqtt-password}"),
        Field("tls", flag(), "Encrypt the connection."),
        Field("ca_file", path_text("the path of a file"),
              "Certificates to trust; without it the system's.", example="/etc/kojimon/ca.pem"),
        Field("client_id", Name("a client id"), "Name of this client at the broker; without it one is made up.",
              example="kojimon-cellar"),
        Field("keepalive", duration(5, 3600), "A link that has been dead so long is noticed.", "keepalive_s"),
        Field("session_expiry", duration(0, 604_800), "How long the broker keeps messages while kojimon is away.",
              "session_expiry_s"),
    ],
    spec.MqttSource,
)  # fmt: skip

SERIAL: Final = Map(
    "a serial line",
    [
        _PORT,
        Field("format", choice("json", "csv", "keys"),
              "What a line is: `json` one object, `csv` columns, `keys` pairs as in `koji=31.2 air=29.8`."),
        _BAUD,
        Field("columns", Items("a list of column names", text("a column's name", 60), most=50, unique=True),
              "Names of the columns of `csv` in order; without it the first line names them.",
              example="[koji, air]"),
        Field("separator", Choice({",": ",", ";": ";", "tab": "\t", "space": " "}),
              "What stands between the columns of `csv`."),
        Field("decimal", Choice({"point": ".", "comma": ","}),
              "How `csv` and `keys` write a fraction: 31.9 or 31,9."),
    ],
    spec.SerialSource,
)  # fmt: skip

MODBUS: Final = Map(
    "a Modbus RTU bus",
    [
        _PORT,
        _BAUD,
        Field("parity", choice("N", "E", "O"), "Parity: none, even or odd."),
        Field("stop_bits", whole(1, 2), "Stop bits."),
        Field("timeout", duration(0.05, 5), "How long a device may take to answer.", "timeout_s"),
        _POLL,
    ],
    spec.ModbusSource,
)

KERNEL: Final = Map(
    "sensor files of the kernel",
    [
        Field("root", path_text("the path of a folder"), "Folder that the probes' files are below."),
        _POLL,
    ],
    spec.KernelSource,
)

SIMULATED: Final = Map(
    "a simulated incubator",
    [
        Field("scenario", Name("the name of a scenario"),
              "What happens in it: a batch, a fault, a kitchen as `fan` or `heat-mat-dead`. `kojisim scenarios` lists"
              " them."),
        Field("seed", whole(0, 999_999_999), "Number that the chances of the simulation hang on."),
        Field("speed", number(0, 100_000), "Simulated seconds in a real second; 0 is as fast as it goes."),
        Field("hours", number(0, 10_000), "Simulated hours to run; 0 leaves it to the scenario."),
        Field("hands", flag(), "Whether a simulated cook does the steps; if not, your marks act on the koji."),
    ],
    spec.SimulatedSource,
)

SOURCES: Final = Each(
    "a map of sources",
    Name("the name of a source"),
    Tagged(
        "a source (`kind: mqtt`, `serial`, `modbus`, `kernel` or `simulated`, ...)",
        "kind",
        {"mqtt": MQTT, "serial": SERIAL, "modbus": MODBUS, "kernel": KERNEL, "simulated": SIMULATED},
        "What it is.",
    ),
    least=0,
    most=50,
)

REGISTER: Final = Map(
    "a map with `unit_id`, `register`, ...",
    [
        Field("unit_id", whole(1, 247), "The device's address on the bus."),
        Field("register", whole(0, 65_535), "Number of the register, counted from 0.", required=True, example="1"),
        Field("function", whole(3, 4), "3 reads holding registers, 4 input registers."),
        Field("data_type", choice("int16", "uint16", "int32", "uint32", "float32"), "What the register holds."),
        Field("word_order", choice("big", "little"), "Which half of a 32-bit value comes first."),
    ],
    spec.Probe,
)

SCALE_WHY: Final = "0 makes every reading the same, less turns warm into cold"

RANGE: Final = Map(
    "a map with `low` and `high`",
    [
        Field("low", amount(), "Lowest true value.", example="-10 C"),
        Field("high", amount(), "Highest true value.", example="60 C"),
    ],
)

POINT: Final = Map(
    "a map with `read` and `true`",
    [
        Field("read", amount(), "What the probe said.", required=True),
        Field("true", amount(), "What was true.", required=True),
    ],
)

CALIBRATION: Final = Map(
    "a map with `points`, `date` and `note`",
    [
        Field(
            "points",
            Items("a list of points, as in `[{read: 0.4 C, true: 0 C}]`", POINT, least=1, most=20),
            "One point shifts the probe, two make a line, more a table.",
            required=True,
            example="[{read: 0.4 C, true: 0 C}]",
        ),
        Field("date", day(), "When it was done.", example="2026-11-25"),
        Field("note", text("a text of one line"), "How it was done.", example="in melting ice"),
    ],
    spec.Calibration,
)

JUDGE: Final = Map(
    "a map with `spike`, `stuck`, ...",
    [
        Field("spike", amount(), "A step that one reading may make; beyond it the reading is not believed.",
              default=None, example="3 C"),
        Field("rate", amount(), "The fastest change in a minute that the probe follows.", "rate_per_min", default=None,
              example="8 C"),
        Field("stuck", duration(0, 86_400), "Unchanged for so long while others moved, it is stuck; 0 s: never.",
              "stuck_s", default=None, example="30 min"),
        Field("pinned", duration(0, 86_400), "Humidity at its upper end for so long is a wet sensor; 0 s: never.",
              "pinned_s", default=None, example="60 min"),
        Field("drift", amount(), "A distance from the probe `beside` it, over what both may be off, that is drift.",
              default=None, example="0.3 C"),
        Field("drift_for", duration(60, 86_400), "For how long.", "drift_s", default=None, example="20 min"),
    ],
    spec.Judging,
)  # fmt: skip

PROBE: Final = Map(
    "a probe (`place`, `from`, ...)",
    [
        Field("in", Name("the name of an incubator"), "Incubator it belongs to; may be left out where there is one.",
              "incubator", default="", example="box", meant=("box", "incubator")),
        Field("place", choice(*Place), "Where it sits: `bed` is the koji itself, `air` the air of the box.",
              required=True, meant=("location", "position", "where")),
        Field("tray", Name("the name of a tray"), "Tray, for a probe in the koji; may be left out where there is one.",
              example="top", meant=("level", "shelf")),
        Field("quantity", choice(*Quantity), "What it measures.", default=Quantity.TEMPERATURE.value),
        Field("from", Name("the name of a source"), "Source; may be left out where there is one.", "source", default="",
              example="house", meant=("source",)),
        Field("topic", topic_filter(), "MQTT topic it is sent under.", example="cellar/koji"),
        Field("path", text("a path as in `sensors[0].temperature`, or a column or key", 120),
              "Where the number stands in the message: a path into JSON, or the column or key of a serial line."
              " Without it the whole message is the number.", "key", example="temperature"),
        Field("file", path_text("the path of a file below the source's `root`"), "Sensor file, for a kernel source.",
              example="devices/platform/soc/fe804000.i2c/i2c-*/*-0044/hwmon/hwmon*/temp1_input"),
        Field("modbus", REGISTER, "Where it is found on a Modbus bus."),
        Field("unit", choice("C", "F", "%", "percent"), "Unit of what is sent, where the message does not name it"
              " itself. Without it C, or % for humidity.",
              default="", example="F"),
        Field("scale", number(1e-6, 1e6, SCALE_WHY),
              "Factor on the number that is sent, as in 0.1 for tenths of a degree."),
        Field("every", duration(0.1, 86_400), "How often a reading should come; three missing ones raise an alarm.",
              "expect_every_s", meant=("interval", "period")),
        Field("device", choice("ds18b20", "sht3x", "sht4x", "dht22", "dht11", "bme280"),
              "Kind of sensor, where it is one of these: tells its false values from true ones.", example="ds18b20"),
        Field("tolerance", amount(), "How far it may be off. Without it 0.5 C (0.9 F), or 3 % for humidity.",
              default=None, example="0.5 C"),
        Field("range", RANGE, "What it can measure, past every limit of its place; without it what its device can."),
        Field("beside", Name("the name of a probe"), "Another probe that measures the same spot.",
              example="koji-top-2"),
        Field("calibration", CALIBRATION, "How it was found to be off."),
        Field("judge", JUDGE, "When its readings are not believed; without it what fits its place."),
    ],
    spec.Probe,
)  # fmt: skip

PROBES: Final = Each("a map of probes", Name("the name of a probe"), PROBE, least=0, most=200)
