"""Every library has its reason: the table of kojimon/README.md and pyproject.toml name the same ones."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def asked_for() -> set[str]:
    """Names of what pyproject.toml wants installed, its optional parts included."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = list(project["dependencies"])
    for part, wanted in project["optional-dependencies"].items():
        lines += wanted if part not in ("all", "test") else []
    return {re.split(r"[<>=\[; ]", line, maxsplit=1)[0].lower() for line in lines}


def explained() -> dict[str, str]:
    """Library -> its reason, from the section "Dependencies", without those marked optional or for tests."""
    text = (ROOT / "kojimon" / "README.md").read_text(encoding="utf-8")
    section = text.split("## Dependencies", 1)[1].split("\n## ", 1)[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in section.splitlines() if line[:1] == "|"]
    found: dict[str, str] = {}
    for names, _, reason in rows[2:]:
        if re.search(r"\((optional|tests)", names):
            continue
        found |= dict.fromkeys(re.sub(r" \(child\)|, part `\w+`", "", names).lower().split(", "), reason)
    return found


def test_each_library_has_its_reason() -> None:
    reasons = explained()
    assert set(reasons) == asked_for()
    assert all(len(reason) > 5 for reason in reasons.values())
