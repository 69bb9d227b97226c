"""How reviews and curves look: the style sheet of a review that stands alone, a part of the page's."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from kojimon.curve import CSS

TEMPLATES: Final = Path(__file__).parent / "templates"


def css() -> str:
    """Rules of reviews (`r-`) and curves (`k-`)."""
    return (TEMPLATES / "review.css").read_text(encoding="utf-8") + CSS
