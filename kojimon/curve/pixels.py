"""A sheet in pixels (PNG) or on paper (PDF), where the optional library cairosvg is installed."""

from __future__ import annotations

import importlib
from importlib.util import find_spec
from typing import Any

from kojimon.curve.look import plain
from kojimon.errors import KojimonError

GROUND = "#fffdf8"


def can() -> bool:
    """Whether the library is there; it is not loaded for that."""
    return find_spec("cairosvg") is not None


def png(svg: str, scale: float = 2.0) -> bytes:
    """A sheet that stands alone (`Style.standalone`) as PNG.

    Args:
        scale: pixels of the picture a pixel of the sheet.

    Raises KojimonError where the library, or the one it stands on (libcairo), is missing.
    """
    data: bytes = _library("PNG").svg2png(bytestring=plain(svg).encode(), scale=scale, background_color=GROUND)
    return data


def pdf(svg: str) -> bytes:
    """A picture that stands alone as a page of PDF, 96 px an inch. Raises KojimonError as `png` does."""
    data: bytes = _library("PDF").svg2pdf(bytestring=plain(svg).encode())
    return data


def _library(kind: str) -> Any:
    """It knows no custom properties of style sheets: they are written out (`plain`)."""
    try:
        return importlib.import_module("cairosvg")
    except (ImportError, OSError):
        raise KojimonError(
            f"For {kind} the library cairosvg is needed: pip install cairosvg. Without it: a file that ends in "
            f"{'.svg' if kind == 'PNG' else '.html, which any browser prints'}."
        ) from None
