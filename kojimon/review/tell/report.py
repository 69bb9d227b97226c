"""The review as one document: for the page, and as a file that needs nothing else, opens offline and prints."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from kojimon.curve import Earlier, Mark, Sheet, Strip, Style, Track, draw
from kojimon.curve.sheet import Run
from kojimon.review.counted import Review, whole
from kojimon.review.draw.sheet import Minutes, sheet_of
from kojimon.review.earlier import Best, score_of
from kojimon.review.load import Case
from kojimon.review.measure.figures import MIXING
from kojimon.review.measure.minutes import gap_of, hottest, minutes_of, runs
from kojimon.review.tell import compare as beside
from kojimon.review.tell.figures import at_hour, lead, tables
from kojimon.review.tell.looks import TEMPLATES, css
from kojimon.review.tell.next_time import NOTHING, Hint, hints
from kojimon.review.tell.paper import EDGE_PX, Text, curve_height, paper
from kojimon.review.tell.paper import WIDTH_PX as PAPER_PX
from kojimon.review.tell.tables import Table
from kojimon.words.eating import CAUTIONS
from kojimon.words.speech import Speech

if TYPE_CHECKING:
    from jinja2 import Environment

WIDTH_PX: Final = 760
NARROW_PX: Final = 336
HOUR_MS: Final = 3_600_000


class ShownNote(Struct, frozen=True):
    """A note with its moment in words; `image` is an address or the picture itself, "" for none."""

    when: str
    text: str
    image: str = ""


class Report(Struct, frozen=True):
    """Everything the template shows."""

    title: str
    lead: tuple[str, ...]
    hints: tuple[Hint, ...] | None
    about: str
    sheet: Sheet
    svg: str
    svg_narrow: str
    since: str
    zone: str
    clock_sure: bool
    tables: tuple[Table, ...]
    notes: tuple[ShownNote, ...]
    verdict: str
    cautions: tuple[str, ...] = CAUTIONS
    nothing: str = NOTHING


class Told(Struct, frozen=True):
    """How one batch differed from the reference."""

    title: str
    sentences: tuple[str, ...]


class Comparison(Struct, frozen=True):
    """Everything the template of a comparison shows."""

    title: str
    about: str
    told: tuple[Told, ...]
    sheet: Sheet
    svg: str
    svg_narrow: str
    since: str
    table: Table


def minutes_by_probe(review: Review) -> Minutes:
    """The review's readings minute by minute, on the engine's axis."""
    zero_ms = review.case.hours.zero_ms
    numbers = {name: no for no, name in review.case.names.items()}
    found = {}
    for one in whole(review.curves):
        rows = [m._replace(first_ms=m.first_ms + zero_ms, last_ms=m.last_ms + zero_ms) for m in minutes_of(one)]
        found[numbers[one.probe]] = rows
    return found


def report_of(
    review: Review, speech: Speech, style: Style, earlier: Earlier | None = None,
    image: Callable[[str], str] = lambda name: "", best: Best | None = None,
) -> Report:  # fmt: skip
    """The report of a batch.

    Args:
        style: of its curve.
        earlier: an earlier batch to be drawn behind.
        image: the address of a photo by its file name.
        best: the best batch before, for what was done otherwise.
    """
    case = review.case
    sheet = sheet_of(case, minutes_by_probe(review), speech, earlier=earlier)
    begun = _moment(case.stamps.utc_ms(case.row.started_t_ms)[0], speech)
    return Report(
        title=f"Batch {case.row.name}",
        lead=tuple(lead(review, speech)),
        hints=tuple(hints(review, speech, best)) if case.row.ended_t_ms is not None else None,
        about=f"{case.schedule.label if case.schedule else case.row.schedule}; begun {begun}; batch {case.row.id}",
        sheet=sheet,
        svg=draw(sheet, style),
        svg_narrow=draw(sheet, narrow(style)),
        since="the spores" if case.inoculated else "the start",
        zone=speech.zone,
        clock_sure=sheet.clock_sure,
        tables=tuple(tables(review, speech)),
        notes=tuple(
            ShownNote(_note_moment(review, note.at_ms, speech), note.text, image(note.photo) if note.photo else "")
            for note in case.story.notes
        ),
        verdict=verdict_of(case),
    )


def narrow(style: Style) -> Style:
    """The style for a phone: the same sheet drawn for its width, not shrunk to it."""
    return replace(style, width_px=NARROW_PX, height_px=0.0)


def _moment(utc_ms: int, speech: Speech) -> str:
    local = speech.local(utc_ms)
    return f"{local:%A} {local.day} {local:%B %Y, %H:%M}"


def _note_moment(review: Review, at_ms: int, speech: Speech) -> str:
    hour = review.case.hours.hour(at_ms)
    return f"{speech.stamp(review.case.stamps.utc_ms(at_ms)[0])}, {at_hour(hour)}."


def verdict_of(case: Case) -> str:
    """How a person judged it, in one line; "" for not yet."""
    verdict = case.story.verdict
    if verdict is None:
        return ""
    parts = []
    for name in ("look", "smell", "taste"):
        score = f"{verdict.scores[name]} of 5" if name in verdict.scores else ""
        words = verdict.words.get(name, "")
        if score or words:
            parts.append(f"{name} {score}{f' ({words})' if score and words else words}")
    return "; ".join([*parts, *([verdict.text] if verdict.text else [])])


def compare_of(reviews: Sequence[Review], speech: Speech, style: Style, align: str = "spores") -> Comparison:
    """The comparison of batches; the best one is the reference."""
    found = beside.sides(reviews, align)
    reference = found[beside.best(reviews)]
    others = [side for side in found if side is not reference]
    since = "the spores" if align == "spores" else "the beginning of self-warming"
    best = score_of(reference.review.case)
    sheet = _overlaid(found, since)
    why = f"with your best score, {best:.1f} of 5" if best is not None else "the latest"
    return Comparison(
        title=" and ".join(side.name for side in found) if len(found) < 4 else f"{len(found)} batches side by side",
        about=f"Seen from {reference.name}, {why}. Aligned at {since}.",
        told=tuple(
            Told(f"{side.name}, against {reference.name}", tuple(beside.differences(side, reference, speech)))
            for side in others
        ),
        sheet=sheet,
        svg=draw(sheet, style),
        svg_narrow=draw(sheet, narrow(style)),
        since=since,
        table=beside.table(found, speech, align),
    )


def _overlaid(found: Sequence[beside.Side], since: str) -> Sheet:
    """The hottest tray of each batch on one sheet, its works on its line."""
    tracks, marks = [], list[Mark]()
    for side in found:
        if side.shift_h is None:
            continue
        beds = [minutes_of(c) for c in side.review.curves if (c.place, c.quantity) == ("bed", "temperature")]
        top, shift_h = hottest(beds), side.shift_h
        line = runs(top, gap_of(top), lambda ms, shift_h=shift_h: ms / HOUR_MS - shift_h)  # type: ignore[misc]
        tracks.append(Track(side.name, side.name, Strip.KOJI, line))
        marks += _works(side, line)
    hours = [point.hour for track in tracks for run in track.runs for point in run]
    from_h = max(-30.0, min(hours, default=0.0)) if since != "the spores" else 0.0
    return Sheet(f"Batches since {since}", from_h, max(hours, default=1.0), tuple(tracks), marks=tuple(marks))


def _works(side: beside.Side, line: tuple[Run, ...]) -> Iterator[Mark]:
    """What was done, each where the batch's line was then."""
    case = side.review.case
    points = [point for run in line for point in run]
    for work in case.story.works:
        hour = side.moment(case.hours.hour(work.at_ms))
        if hour is None or not points or (work.work not in MIXING and work.work != "harvest"):
            continue
        near = min(points, key=lambda point: abs(point.hour - hour))
        yield Mark(hour, "step", work.label.split(" (", maxsplit=1)[0], value=(near.low + near.high) / 2)


# As files.


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates; everything put into them is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    loader = FileSystemLoader(TEMPLATES)
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def part(template: str, **content: object) -> str:
    """A part of a page."""
    return environment().get_template(template).render(**content)


def review_file(report: Report) -> str:
    """The report as one HTML file that needs nothing else."""
    return environment().get_template("review_file.html").render(report=report, css=css())


def compare_file(found: Comparison) -> str:
    """The comparison as one HTML file that needs nothing else."""
    return environment().get_template("compare_file.html").render(found=found, css=css())


def embedded(folder: Path) -> Callable[[str], str]:
    """Photos as part of the file itself, from the folder they lie in; a missing one is left out."""

    def image(name: str) -> str:
        path = folder / Path(name).name
        kind = {".jpg": "jpeg", ".png": "png", ".webp": "webp"}.get(path.suffix)
        if kind is None or not path.is_file():
            return ""
        return f"data:image/{kind};base64,{base64.b64encode(path.read_bytes()).decode()}"

    return image


def review_paper(report: Report, style: Style) -> str:
    """The review as one page of A4, an SVG: verdict, what to change, the curve as large as the words leave it."""
    above = [Text(report.title, size_px=24.0), Text("How it was:", report.verdict or "nobody has said yet.")]
    above.append(Text("", " ".join(report.lead)))
    if report.hints is not None:
        above.append(Text("For next time", size_px=17.0))
        above += [Text(hint.seen, hint.proposal) for hint in report.hints] or [Text("", report.nothing)]
    below = [Text("", report.about, 11.0), Text("Before anybody eats it", size_px=13.0)]
    below += [Text("", caution, 11.0) for caution in report.cautions]
    return _page(above, below, report.sheet, style)


def compare_paper(found: Comparison, style: Style) -> str:
    """The comparison as one page of A4."""
    above = [Text(found.title, size_px=24.0), Text("", found.about)]
    above += [Text(f"{told.title}:", f"{'; '.join(told.sentences)}.") for told in found.told]
    return _page(above, [], found.sheet, style)


def _page(above: list[Text], below: list[Text], sheet: Sheet, style: Style) -> str:
    height = min(560.0, curve_height(above, below))
    size = replace(style, width_px=round(PAPER_PX - 2 * EDGE_PX), height_px=height, standalone=True)
    return paper(above, draw(sheet, size), height, below)
