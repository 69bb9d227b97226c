"""Every example of settings in README.md and config/README.md passes the check that the daemon makes.

It is tried alone, in the smallest settings around it. An example is a block of YAML, or a piece of code in a line that
reads as `key: value`.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final

import pytest
import yaml

from kojimon.errors import ConfigurationError
from kojimon.settings.description import SITE
from kojimon.settings.load import load_settings

ROOT: Final = Path(__file__).parents[2]
README: Final = "".join((ROOT / folder / "README.md").read_text("utf-8") for folder in (".", "config"))
TOP: Final = {field.key for field in SITE.fields}
SERIAL: Final = {"kind": "serial", "port": "/dev/ttyUSB0", "format": "csv", "columns": ["koji"], "separator": ";"}
MQTT: Final = {"kind": "mqtt", "host": "192.0.2.10", "user": "kojimon", "password": {"file": "/etc/kojimon/secret"}}
READ_BY: Final[dict[str, dict[str, Any]]] = {
    "serial": {"path": "koji"}, "mqtt": {"topic": "cellar/koji"}, "kernel": {"file": "class/hwmon/hwmon0/temp1_input"},
    "modbus": {"modbus": {"register": 1}}, "simulated": {},
}  # fmt: skip
"""What a probe needs, by the kind of its source."""


def examples() -> list[str]:
    """Everything in README that reads as settings, in the order of the text."""
    blocks = re.findall(r"```yaml\n(.*?)```", README, re.DOTALL)
    prose = re.sub(r"```.*?```", "", README, flags=re.DOTALL)
    spans = [span for span in re.findall(r"`([^`\n]+)`", prose) if re.match(r"\{?[a-z_]+: \S", span)]
    return [*blocks, *dict.fromkeys(span for span in spans if isinstance(yaml.safe_load(span), dict))]


def whole(example: dict[str, Any]) -> dict[str, Any]:
    """The smallest settings that hold it: a key of the top stands there, another where it belongs."""
    settings: dict[str, Any] = {
        "site": "home", "units": {"temperature": "F", "mass": "lb"}, "person": {"zone": "Europe/Lisbon"},
        "incubators": {"box": {"schedule": "rice-koji-home-trays"}}, "sources": {"house": MQTT},
    }  # fmt: skip
    for key, value in example.items():
        if key in TOP:
            settings[key] = value
        elif key in ("separator", "decimal", "format"):
            settings["sources"] = {"board": {**settings["sources"].get("board", SERIAL), key: value}}
        elif key == "look":
            settings["web"] = {"host": "0.0.0.0", "token": {"file": "/etc/kojimon/token"}, key: value}
        elif key in ("file", "environment"):
            settings["web"] = {"host": "0.0.0.0", "token": {key: value}}
        else:
            raise AssertionError(f"README shows {key!r}; say here where it belongs")
    if not settings["sources"]:
        return {**settings, "probes": {}}  # all is read by hand
    (source,) = settings["sources"].values()
    name = "bed" if source["kind"] == "simulated" else "koji"
    settings.setdefault("probes", {name: {"place": "bed", **READ_BY[source["kind"]]}})
    return settings


def checked(example: dict[str, Any], folder: Path) -> None:
    path = folder / "kojimon.yaml"
    path.write_text(yaml.safe_dump(whole(example), allow_unicode=True), "utf-8")
    load_settings(path)


EXAMPLES: Final = [text for text in examples() if not text.startswith("latch:")]
"""`latch` is a key of schedules: `tests/schedule` reads the shipped ones, which have it."""


def test_the_examples_are_found() -> None:
    assert len(EXAMPLES) >= 12
    for word in ("publish: {", "channels:", "sources: {board", "altitude: ", "web: {host", "calibration: {"):
        assert any(word in text for text in EXAMPLES), word


@pytest.mark.parametrize("text", EXAMPLES, ids=lambda text: text[:40].strip())
def test_an_example_of_readme_is_taken_by_the_check(text: str, tmp_path: Path) -> None:
    checked(yaml.safe_load(text.replace("...", "EXAMPLE")), tmp_path)


def test_what_is_wrong_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="publish"):
        checked({"publish": {"source": "house"}}, tmp_path)
