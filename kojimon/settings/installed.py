"""What the settings want and this installation lacks: the heavy libraries may be left out (`install.sh --parts`)."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Final

from kojimon.document.report import Report
from kojimon.settings.checks import Draft

LIBRARIES: Final = {"forecast": "numpy", "mirror": "influxdb_client", "modbus": "pymodbus", "services": "apprise"}
"""Optional part to the library that it is made of, as in pyproject.toml."""


def has_part(part: str) -> bool:
    """Whether an optional part is installed. The library is looked for, not loaded."""
    return find_spec(LIBRARIES[part]) is not None


def check(draft: Draft, report: Report) -> None:
    """Tells each setting that asks for a part that is not installed."""
    for name, source in draft.get("sources", {}).items():
        if source.get("kind") == "modbus":
            _wants("modbus", f"sources.{name}", "a Modbus source", report)
    for name, channel in draft.get("channels", {}).items():
        if channel.get("kind") == "service":
            _wants("services", f"channels.{name}", "a channel of kind `service`", report)
    if draft.get("mirror"):
        _wants("mirror", "mirror", "a mirror", report)


def _wants(part: str, path: str, what: str, report: Report) -> None:
    if not has_part(part):
        how = f"`sudo sh deploy/install.sh --parts all`, or `pip install 'kojimon[{part}]'` where pip put it"
        report.at(path, f"found {what}, and the part `{part}` is not installed here", f"expected it installed: {how}")
