"""A batch's curve as one small picture (PNG), for messages. Nothing is written."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Final

from msgspec.structs import replace

from kojimon.curve import Style, draw
from kojimon.curve.pixels import png
from kojimon.journal.reading.reader import Reader
from kojimon.review.draw.sheet import sheet_of, speech_of
from kojimon.review.load import load_case
from kojimon.review.measure.minutes import read_minutes

WIDTH_PX, HEIGHT_PX = 360, 560.0
"""Of a phone's screen."""
MOST_BYTES: Final = 250_000
"""Larger pictures are made coarser, and left out where that does not help."""


def small_picture(journal: str, batch: str, last_h: float | None, fahrenheit: bool, pounds: bool, zone: str) -> bytes:
    """The curve of a batch, of its last hours or the whole; empty where it would be too large.

    Raises KojimonError where there is no such batch, the journal cannot be read or nothing here makes pixels.
    """
    with closing(Reader(Path(journal))) as reader:
        case = load_case(reader, batch)
        minutes = read_minutes(reader.path, reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1))
    sheet = sheet_of(case, minutes, speech_of(case, fahrenheit, pounds, zone))
    if last_h is not None:
        sheet = replace(sheet, from_h=max(sheet.from_h, sheet.to_h - last_h))
    svg = draw(sheet, Style(WIDTH_PX, HEIGHT_PX, fahrenheit, zone, standalone=True))
    return next((data for scale in (2.0, 1.0) if len(data := png(svg, scale)) <= MOST_BYTES), b"")
