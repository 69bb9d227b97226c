"""A sheet in pixels (PNG), where the optional library cairosvg is installed."""

from __future__ import annotations

import importlib
from importlib.util import find_spec

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
    try:
        cairosvg = importlib.import_module("cairosvg")
    except (ImportError, OSError):
        raise KojimonError(
            "For PNG the library cairosvg is needed: pip install cairosvg. Or give the file a name that ends in .svg."
        ) from None
    # The library knows no custom properties of style sheets: they are written out.
    data: bytes = cairosvg.svg2png(bytestring=plain(svg).encode(), scale=scale, background_color=GROUND)
    return data
