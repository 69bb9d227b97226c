"""Settings that want a part left out at installation are refused, and it is said how to get it."""

from __future__ import annotations

import re
import tomllib
from importlib.machinery import ModuleSpec
from pathlib import Path

import pytest

from kojimon.settings import installed
from tests.settings.files import SMALL, load, refusal

ROOT = Path(__file__).resolve().parents[2]
WANTING = """
channels: {phone: {kind: service, url: {file: phone-url}}}
mirror: {url: http://127.0.0.1:8086, organisation: home, bucket: koji, token: {file: mirror-token}}
"""


def without(monkeypatch: pytest.MonkeyPatch, *missing: str) -> None:
    """An installation that lacks these libraries."""

    def find(name: str) -> ModuleSpec | None:
        return None if name in missing else ModuleSpec(name, None)

    monkeypatch.setattr(installed, "find_spec", find)


def test_each_setting_that_wants_a_missing_part_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without(monkeypatch, "apprise", "influxdb_client", "numpy", "pymodbus")
    said = "\n".join(refusal(tmp_path, SMALL + WANTING))
    assert "channels.phone: found a channel of kind `service`, and the part `services` is not installed" in said
    assert "mirror: found a mirror, and the part `mirror` is not installed" in said
    assert "install.sh --parts all" in said and "pip install 'kojimon[mirror]'" in said


def test_a_small_installation_takes_what_needs_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without(monkeypatch, *installed.LIBRARIES.values())
    assert load(tmp_path, SMALL).mirror is None
    assert not installed.has_part("forecast")


def test_the_parts_are_those_of_the_project_file() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    parts = set(extras) - {"all", "test", "pictures"}  # no setting wants pictures: without them there are none
    assert parts == set(installed.LIBRARIES)
    assert extras["all"] == [f"kojimon[{','.join(sorted(parts))}]"]
    for part in parts:
        assert [re.split("[<>=]", line)[0].replace("-", "_") for line in extras[part]] == [installed.LIBRARIES[part]]
    script = (ROOT / "deploy" / "install.sh").read_text(encoding="utf-8")
    assert f"({'|'.join(sorted(parts))})" in script
