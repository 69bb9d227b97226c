"""What the name of a number says: a temperature, a humidity, something else, or nothing.

Read word by word (`bedTemp_1` is bed, temp), so that `attempts` is no temperature. The last part of a path says what a
number is; what stands above it only says so for a part that means no more than "the value".
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from kojimon.model import Quantity
from kojimon.probes.formats.said import words_of

OTHER: Final = "other"
"""It says that it is neither."""


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_TEMPERATURE: Final = _words(
    "t temp temps temperature temperatures temperatur temperatura température tempc tempf celsius fahrenheit degc degf"
    " °c °f thermo thermometer"
)
_HUMIDITY: Final = _words("h hum humid humidity humidities rh feuchte luftfeuchte feuchtigkeit moisture")
_WHOLE: Final = _words("temperature temperatures temp temps humidity hum temperatur feuchte rh")
"""Words that name what all below them is."""
_NEUTRAL: Final = _words("value val v state current now reading measured data c f celsius fahrenheit")
_OTHER: Final = _words(
    "id ids uid uuid guid serial sn mac addr address rom crc hash key rssi snr lqi linkquality link quality signal dbm"
    " lat lon battery batt bat volt volts voltage vcc vbat vdd mv mah ma amps watt watts power energy count counter"
    " counts cnt seq sequence no nr number num index idx n samples packets time timestamp ts date epoch unix utc uptime"
    " millis ms us sec seconds s age since interval every period duration timeout version ver rev fw firmware hw"
    " status error err errors fail failures code flag flags ok valid alarm alert mode type model kind channel ch port"
    " pin gpio baud unit units raw adc bits precision resolution accuracy tolerance retries attempts tries heap ram mem"
    " memory free pressure press hpa mbar altitude height level lux light co tvoc ppm pm aqi gas wind rain ah vpd"
    " enthalpy relay output duty pwm fan heater pump valve load wifi ip"
)
"""What messages of home sensors carry beside what they measure. `temp_id` is such a thing, `ch1_temp` is none."""
_TURNED: Final = _words(
    "offset calibration cal correction raw adc setpoint set target setting desired wanted step min max minimum maximum"
    " lowest highest threshold limit hysteresis alarm alert trend rate delta diff difference gradient slope cpu mcu"
    " chip soc core die dew dewpoint frost feels apparent heat heatindex humidex absolute abs specific soil"
)
"""Wherever it stands, the number is no reading of the air or the koji: a dew point, the day's highest, a processor."""
_ELSEWHERE: Final = _words("cpu gpu mcu soc chip soil battery batt")
"""What is below such a part is measured there: `cpu.temp`, `soil/moisture`."""
_DOUBTFUL: Final = _words("device board esp internal moisture")
"""A temperature of the electronics, or of what they measure; moisture is the soil's more often than the air's."""


def names_one(name: str) -> bool:
    """Whether a name speaks of a temperature or humidity at all, be it of one that is no reading."""
    return not (_TEMPERATURE | _HUMIDITY).isdisjoint(words_of(name))


def quantity_of(key: str, topic: str = "") -> str:
    """What a number measures by its path and the topic it came under: a Quantity, OTHER, or "" where nothing says."""
    inner = _parts(key)
    parts, keyed = [*_parts(topic), *inner], len(inner)
    while parts and _NEUTRAL.issuperset(parts[-1]):
        parts.pop()
        keyed -= 1
    if not parts:
        return ""
    if any(not _ELSEWHERE.isdisjoint(part) for part in parts[:-1]):
        return OTHER
    if keyed > 1 and not _DOUBTFUL.isdisjoint(parts[-2]):
        return ""
    own = _of_words(parts[-1])
    # `temperature/kitchen` is one of several temperatures; `{"kitchen": 3}` in a message may be anything.
    if own or keyed > 0 or len(parts) < 2 or len(parts[-2]) != 1 or parts[-2][0] not in _WHOLE:
        return own
    return _of_words(parts[-2])


def _parts(name: str) -> list[list[str]]:
    return [words_of(part) for part in re.split(r"[./\[\]]", name) if part and not part.isdigit()]


def _of_words(words: Sequence[str]) -> str:
    at = [place for place, word in enumerate(words) if word in _TEMPERATURE or (word in _HUMIDITY and word != "h")]
    at = at or [0] * (words[0] == "h")
    after = words[at[-1] + 1 :] if at and words[at[-1]] not in ("t", "h") else words
    if not _TURNED.isdisjoint(words) or not _OTHER.isdisjoint(after):
        return OTHER
    if not at or not _DOUBTFUL.isdisjoint(words):
        return ""
    return Quantity.HUMIDITY if words[at[-1]] in _HUMIDITY else Quantity.TEMPERATURE
