"""What is known of the devices people own: the span they can measure and what they send instead of a measurement."""

from __future__ import annotations

from typing import Final, NamedTuple

from kojimon.model import Quantity

SENTINEL_WIDTH: Final = 0.006
"""Half width in which a value counts as a sentinel: 127.9375, 127.937 and 127.94 are one."""


class Device(NamedTuple):
    """Span and sentinels of one quantity of a device, in °C or %.

    Attributes:
        low, high: what it can measure. For humidity a little over 100 is a wet but working sensor.
        sentinels: values it sends instead of a measurement, whatever else is known.
    """

    low: float
    high: float
    sentinels: tuple[float, ...] = ()


COMMON_SENTINELS: Final = (-99.0, -127.0, -252.0, -253.0, -254.0, -999.0, -7999.0, -9999.0, -9999.9, -99999.0)
"""-127 and -252 to -254: constants of the widespread 1-wire library for microcontrollers (DallasTemperature 4.0.5:
disconnected, short to supply, short to ground, open). The others stand for "missing" in station and logger files
(US climate reference network, SURFRAD, NREL MIDC)."""

HUMIDITY_HIGH: Final = 103.999
"""Raw humidity up to here is saturation, from 104 on a fault (practice of a national weather service, WMO
CBS/ET-AWS-1 doc. 9(2): over 100 set to 100, from 104 fail)."""

_DS18B20 = Device(-55.0, 125.0, (85.0, 127.9375))
"""DS18B20 data sheet Rev 4: -55 to 125 °C, 85 at power-on; 127.94 is a failed conversion (Linux drivers/w1/slaves/
w1_therm.c). Both come with a valid checksum."""
_SHT_T = Device(-40.0, 125.0)
"""SHT3x-DIS data sheet v4 and SHT4x data sheet v6.1."""

_TEMPERATURE: Final = {
    "ds18b20": _DS18B20,
    "sht3x": _SHT_T,
    "sht4x": _SHT_T,
    "dht22": Device(-40.0, 80.0),
    "dht11": Device(-20.0, 60.0),
    "bme280": Device(-40.0, 85.0),
    "": Device(-55.0, 150.0),
}
"""dht22: AM2302 data sheet. bme280: data sheet rev 1.23. dht11: from memory; newer parts go below 0 °C."""

_HUMIDITY: Final = {
    "sht4x": Device(-6.0, HUMIDITY_HIGH),
    "": Device(0.0, HUMIDITY_HIGH),
}
"""sht4x: its equation runs from -6 to 119 and is to be cropped to 0..100 (SHT4x data sheet v6.1, 4.6)."""


def device(name: str, quantity: str) -> Device:
    """Span and sentinels for a quantity of a device; the generic ones for a device that is not known."""
    table = _HUMIDITY if quantity == Quantity.HUMIDITY else _TEMPERATURE
    return table.get(name, table[""])
