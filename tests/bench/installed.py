"""The environment of a daemon that is installed: what the unit sets, and modules that were compiled before."""

from __future__ import annotations

import os
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def in_the_unit() -> dict[str, str]:
    """What the unit sets for malloc, docstrings and zones."""
    text = (ROOT / "deploy" / "kojimon.service").read_text(encoding="utf-8")
    return dict(re.findall(r"^Environment=(MALLOC_\w+|PYTHONOPTIMIZE|PYTHONTZPATH)=(.*)$", text, re.MULTILINE))


def compiled_in(folder: Path) -> dict[str, str]:
    """An environment without what the unit sets, in which modules are compiled once, into a folder, and then found."""
    own = {name: value for name, value in os.environ.items() if name not in in_the_unit()}
    return own | {"PYTHONPYCACHEPREFIX": str(folder), "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": ""}
