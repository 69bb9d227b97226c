"""`config/kojimon.example.yaml`: every setting with its meaning and default, from the description.

`python -m tests.settings.example > config/kojimon.example.yaml` writes it anew.
"""

from __future__ import annotations

import sys
from typing import Any, Final

from kojimon.document.commented import write
from kojimon.settings.description import SITE
from kojimon.settings.devices import SIMULATED

GIVEN: Final[dict[str, Any]] = {
    "site": "cellar",
    "units": {"temperature": "F", "mass": "lb"},
    "person": {"zone": "Europe/Lisbon", "sleep": "22:30 to 06:30"},
    "incubators": {"box": {"schedule": "rice-koji-home-trays", "trays": "[top, middle, bottom]", "rice": "4 lb"}},
    "sources": {
        "house": {
            "kind": "mqtt",
            "host": "192.0.2.10",
            "user": "kojimon",
            "password": "{file: /etc/kojimon/mqtt-password}",
        },
        "board": {"kind": "serial", "port": "/dev/serial/by-id/usb-example-if00"},
        "bus": {"kind": "modbus", "port": "/dev/serial/by-id/usb-example-rs485"},
        "pi": {"kind": "kernel", "root": "/sys"},
    },
    "probes": {
        "koji-top": {
            "in": "box",
            "place": "bed",
            "tray": "top",
            "from": "house",
            "topic": "cellar/koji",
            "path": "temperature",
            "unit": "F",
            "device": "ds18b20",
        },
        "koji-middle": {"place": "bed", "tray": "middle", "from": "board", "path": "koji"},
        "box-air": {"place": "air", "from": "board", "path": "air"},
        "box-damp": {"place": "air", "quantity": "humidity", "from": "bus", "modbus": {"register": "1"},
                     "scale": "0.1"},
        "cellar-room": {"place": "room", "from": "pi",
                        "file": "devices/platform/soc/fe804000.i2c/i2c-*/*-0044/hwmon/hwmon*/temp1_input"},
    },
    "channels": {
        "phone": {"kind": "service", "url": "{file: /etc/kojimon/phone-url}"},
        "siren": {"kind": "command", "run": '[/usr/local/bin/siren, "on"]', "joins": "4 min"},
    },
    "watch": {"attic": {"from": "house"}},
}  # fmt: skip

_HEAD: Final = """\
# Settings of kojimon: every one, what it means, and what it is when left alone.
#
# Most files need a handful of these; minimal.yaml shows the fewest. A line that begins with # is a comment: take the #
# away to change a setting. Temperatures may be written as 30 C or 86 F, differences as 3 C or 5.4 F, masses as 2 kg or
# 4 lb, durations as 90 s, 10 min, 40 h or 2 d 4 h, shares as 85 %. Look a file over with: kojimon check

"""

_SIMULATED: Final = """
# A simulated incubator, to try things out. It stands alone, without other sources, since it drives the clock.
#sources:
#  sim:
#    kind: simulated
"""


def example() -> str:
    """The text of the example file."""
    simulated = write(SIMULATED, {}).replace("\n\n", "\n")
    return _HEAD + write(SITE, GIVEN) + _SIMULATED + "".join(f"#    {line}\n" for line in simulated.splitlines())


if __name__ == "__main__":
    sys.stdout.write(example())
