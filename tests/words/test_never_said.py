"""Words that may hurt somebody are said nowhere: in no text of the program, no schedule, no example, not in README.

Each with what is wrong about it. Searched in all that a person may read, comments of the code included.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[2]
READ: Final = (".py", ".html", ".js", ".yaml", ".md", ".sh")
NEVER: Final = {
    r"\ball right\b": "says more than is known: within limits",
    r"\ball[ -]clear\b": "says that it is safe: reset",
    r"\bin bounds\b": "within limits",
    r"(an)?other outlet": "outlets share breakers and RCDs: another circuit, with its own breaker and GFCI/RCD",
    r"more damp in the box": "a wet cloth beside a heater, for trays that are wrapped anyway",
    r"mat[^.;\"]{0,20} under the": "a heat mat under a tray is a covered one",
    r"label: take the cloth off(?!, in a still box)": "koji that lies open in a fan's air dries: for a still box only",
    r"\bwear a (good )?mask": "not every mask holds spores back: a well-fitting FFP2 or N95",
    r"black, blue or pink": "red, orange and grey are missing",
    r"taste what looks|once it looks and smells right": "a good smell does not prove it safe",
    r"\bsay seen\b|i have seen it": "says neither where nor how: open the kojimon page, press Acknowledge",
    r"not armed|test, all is well": "reads as alarms off, or as all well: night check not passed, alarms still run",
    r"same way again": "reads as a verdict on the food",
}


@cache
def texts() -> dict[str, str]:
    """All that is read by a person, by path; line ends are spaces, so that no wrapped sentence is missed."""
    paths = [ROOT / "README.md", *(path for top in ("kojimon", "config", "deploy") for path in (ROOT / top).rglob("*"))]
    wanted = [path for path in paths if path.suffix in READ and "__pycache__" not in path.parts]
    return {str(path.relative_to(ROOT)): re.sub(r"\s+", " ", path.read_text("utf-8")) for path in wanted}


def found(pattern: str) -> list[str]:
    """Where it is said, with what stands around it."""
    return [
        f"{path}: ...{text[max(0, hit.start() - 40) : hit.end() + 40]}..."
        for path, text in texts().items()
        for hit in re.finditer(pattern, text, re.IGNORECASE)
    ]


def test_what_is_searched_is_there() -> None:
    assert len(texts()) > 300 and found("no safety cut-out")


@pytest.mark.parametrize("pattern", NEVER)
def test_it_is_said_nowhere(pattern: str) -> None:
    assert found(pattern) == [], NEVER[pattern]
