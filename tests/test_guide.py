"""The guide is short, and every file that it or a folder's README names is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
GUIDES = [
    ROOT / "DEVELOPERS.md", *sorted((ROOT / "kojimon").rglob("README.md")),
    *(ROOT / top / "README.md" for top in ("tests", "config", "sim")),
]  # fmt: skip
A_FILE = re.compile(r"[\w./-]*/[\w.-]+\.(?:py|md|sh|yaml|sql)|(?:kojimon|tests|deploy|config|sim)/[a-z_/]*")


def test_the_guide_is_read_in_one_go() -> None:
    text = GUIDES[0].read_text(encoding="utf-8")
    assert len(text.encode()) < 10_000
    wanted = ["The picture", "Where to change what", "Laws (each is a test)", "Time and threads", "Decisions"]
    assert re.findall(r"^## (.+)$", text, re.MULTILINE) == wanted
    assert len(re.findall(r"^- \*\*20\d\d-\d\d-\d\d, ", text, re.MULTILINE)) == 10, "ten decisions, each with its day"
    assert "sh deploy/test.sh" in "".join(text.splitlines(True)[:10])


@pytest.mark.parametrize("guide", GUIDES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_a_guide_names_is_there(guide: Path) -> None:
    named = [word for word in re.findall(r"`([^`\n]+)`", guide.read_text(encoding="utf-8")) if A_FILE.fullmatch(word)]
    places = (ROOT, ROOT / "kojimon", guide.parent)
    assert [name for name in named if not any((place / name).exists() for place in places)] == []
