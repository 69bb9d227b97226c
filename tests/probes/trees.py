"""Frozen trees of sensor files as the Linux drivers make them, a broken one among them.

Layout and content follow Documentation/hwmon/sysfs-interface.rst, Documentation/ABI/testing/sysfs-bus-iio and
Documentation/w1/slaves/w1_therm.rst of the kernel source.
"""

from pathlib import Path

W1 = "bus/w1/devices"
BED = f"{W1}/28-00000bbb9b13"
"""ROM 28 13 9B BB 0B 00 00 1F of a published study of genuine and cloned DS18B20 (counterfeit_DS18B20, commit
02a8f33)."""

SOUND = {
    f"{BED}/temperature": "30000\n",
    f"{BED}/w1_slave": "e0 01 4b 46 7f ff 10 10 27 : crc=27 YES\ne0 01 4b 46 7f ff 10 10 27 t=30000\n",
    f"{BED}/resolution": "12\n",
    "class/hwmon/hwmon0/name": "cpu_thermal\n",
    "class/hwmon/hwmon0/temp1_input": "48312\n",
    "class/hwmon/hwmon1/name": "sht4x\n",
    "class/hwmon/hwmon1/temp1_input": "24998\n",
    "class/hwmon/hwmon1/humidity1_input": "93998\n",
    "class/hwmon/hwmon2/name": "sht3x\n",
    "class/hwmon/hwmon2/temp1_input": "24998\n",
    "class/hwmon/hwmon2/humidity1_input": "79998\n",
    "bus/iio/devices/iio:device0/name": "bme280\n",
    "bus/iio/devices/iio:device0/in_temp_input": "28100\n",
    "bus/iio/devices/iio:device0/in_humidityrelative_input": "85125\n",
    "bus/iio/devices/iio:device1/name": "bme680\n",
    "bus/iio/devices/iio:device1/in_temp_input": "28200\n",
    "bus/iio/devices/iio:device1/in_humidityrelative_input": "41.074000000\n",
    "bus/iio/devices/iio:device2/name": "htu21\n",
    "bus/iio/devices/iio:device2/in_temp_raw": "6720\n",
    "bus/iio/devices/iio:device2/in_temp_scale": "10.725\n",
    "bus/iio/devices/iio:device2/in_temp_offset": "-4368\n",
}

BROKEN = {
    "empty/temperature": "",
    "crc/w1_slave": "56 01 4b 46 7f ff 0a 10 d1 : crc=d1 NO\n56 01 4b 46 7f ff 0a 10 d1 t=21375\n",
    "zeros/w1_slave": "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n",
    "flipped/w1_slave": "e0 03 4b 46 7f ff 10 10 27 : crc=27 YES\ne0 03 4b 46 7f ff 10 10 27 t=62000\n",
    "half/w1_slave": "e0 01 4b 46 7f ff 10 10 27 : crc=27 YES\n",
    "clone/w1_slave": "90 01 55 05 7f 7e 81 66 27 : crc=27 YES\n90 01 55 05 7f 7e 81 66 27 t=25000\n",
    "words/temp1_input": "on fire\n",
    "nan/temp1_input": "nan\n",
    "long/temp1_input": "3" * 4000,
    "two/temp1_input": "30000 31000\n",
    "binary/temp1_input": "\x0030000",
}
"""Reads that give no reading. `crc`: a checksum that failed still carries a value. `zeros`: a shorted bus passes its
checksum (volkszaehler/vzlogger pull request 610). `clone`: printed with a checksum that does not fit."""


def plug(root: Path, tree: str, number: int, device: str, files: dict[str, str]) -> Path:
    """A sensor on its bus, as sysfs has it: a folder below `devices/` with its files, and the numbered link to it in
    the tree of its class, which is returned."""
    kind, folder = ("hwmon", "hwmon/hwmon") if tree == "class/hwmon" else ("iio:device", "iio:device")
    place = f"devices/platform/soc/{device}/{folder}{number}"
    plant(root, {f"{place}/{name}": content for name, content in files.items()})
    link = root / tree / f"{kind}{number}"
    link.parent.mkdir(parents=True, exist_ok=True)
    link.symlink_to(root / place)
    return link


def plant(root: Path, files: dict[str, str]) -> Path:
    """Writes a tree below a folder."""
    for name, content in files.items():
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(content)
    return root
