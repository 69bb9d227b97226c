"""The review as one document: for the page, and as a file that needs nothing else, opens offline and prints."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from msgspec import Struct
from msgspec.structs import replace

from kojimon.curve import CSS, Earlier, Sheet, Strip, Style, Track, draw
from kojimon.review.draw.sheet import Minutes, sheet_of
from kojimon.review.load import Review, whole
from kojimon.review.measure.minutes import gap_of, hottest, minutes_of, runs
from kojimon.review.tell import compare as beside
from kojimon.review.tell.figures import at_hour, lead, tables
from kojimon.review.tell.next_time import NOTHING, Hint, hints
from kojimon.review.tell.tables import Row, Table
from kojimon.words.speech import Speech

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES: Final = Path(__file__).parent / "templates"
WIDTH_PX: Final = 700
NARROW_PX: Final = 336
HOUR_MS: Final = 3_600_000

CAUTIONS: Final = (
    "kojimon cannot tell whether koji is fit to eat: a curve inside its bands says nothing about germs. Bacteria that "
    "make people ill (Staphylococcus aureus, Bacillus cereus) grow over the whole range koji is grown at (FDA, Bad Bug "
    "Book, factors affecting growth).",
    "Look and smell first. Never taste to test a doubtful batch. A good smell does not prove it safe.",
    "Throw it out when it is slimy, black, blue, grey, pink, red or orange, or smells of ammonia, sulphur or rot.",
    "Yellow or green bloom is the mould making spores: it ran too long. The dust can start an allergy: wear a "
    "well-fitting FFP2 or N95 mask. With asthma or a weak immune system let somebody else handle it.",
    "Only starter sold for food. Mould found in nature may be a poisonous kin that looks the same.",
    "When in doubt, throw it out. Local food rules come first.",
)


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
    svg: str
    svg_narrow: str
    since: str
    zone: str
    clock_sure: bool
    tables: tuple[Table, ...]
    notes: tuple[ShownNote, ...]
    verdict: tuple[Row, ...]
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
    image: Callable[[str], str] = lambda name: "",
) -> Report:  # fmt: skip
    """The report of a batch.

    Args:
        style: of its curve.
        earlier: an earlier batch to be drawn behind.
        image: the address of a photo by its file name.
    """
    case = review.case
    sheet = sheet_of(case, minutes_by_probe(review), speech, earlier=earlier)
    begun = _moment(case.stamps.utc_ms(case.row.started_t_ms)[0], speech)
    return Report(
        title=f"Batch {case.row.name}",
        lead=tuple(lead(review, speech)),
        hints=tuple(hints(review, speech)) if case.row.ended_t_ms is not None else None,
        about=f"{case.schedule.label if case.schedule else case.row.schedule}; begun {begun}; batch {case.row.id}",
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
        verdict=tuple(_verdict(review)),
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


def _verdict(review: Review) -> list[Row]:
    verdict = review.case.story.verdict
    if verdict is None:
        return []
    rows = [
        Row(
            name.capitalize(),
            (f"{verdict.scores[name]} of 5" if name in verdict.scores else "", verdict.words.get(name, "")),
        )
        for name in ("look", "smell", "taste")
        if name in verdict.words or name in verdict.scores
    ]
    return [*rows, *([Row("In all", ("", verdict.text))] if verdict.text else [])]


def compare_of(reviews: Sequence[Review], speech: Speech, style: Style, align: str = "spores") -> Comparison:
    """The comparison of batches; the best one is the reference."""
    found = beside.sides(reviews, align)
    reference = found[beside.best(reviews)]
    others = [side for side in found if side is not reference]
    since = "the spores" if align == "spores" else "the beginning of self-warming"
    best = beside.score(reference.review)
    why = f"with your best score, {best:.1f} of 5" if best is not None else "the latest harvested"
    return Comparison(
        title=" and ".join(side.name for side in found) if len(found) < 4 else f"{len(found)} batches side by side",
        about=f"Seen from {reference.name}, {why}. Aligned at {since}.",
        told=tuple(
            Told(f"{side.name}, against {reference.name}", tuple(beside.differences(side, reference, speech)))
            for side in others
        ),
        svg=draw(_overlaid(found, since), style),
        svg_narrow=draw(_overlaid(found, since), narrow(style)),
        since=since,
        table=beside.table(found, speech, align),
    )


def _overlaid(found: Sequence[beside.Side], since: str) -> Sheet:
    """The hottest tray of each batch on one sheet."""
    tracks = []
    for side in found:
        if side.shift_h is None:
            continue
        beds = [minutes_of(c) for c in side.review.curves if (c.place, c.quantity) == ("bed", "temperature")]
        top, shift_h = hottest(beds), side.shift_h
        line = runs(top, gap_of(top), lambda ms, shift_h=shift_h: ms / HOUR_MS - shift_h)  # type: ignore[misc]
        tracks.append(Track(side.name, side.name, Strip.KOJI, line))
    hours = [point.hour for track in tracks for run in track.runs for point in run]
    from_h = max(-30.0, min(hours, default=0.0)) if since != "the spores" else 0.0
    return Sheet(f"Batches since {since}", from_h, max(hours, default=1.0), tuple(tracks))


# As files.


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates; everything put into them is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    loader = FileSystemLoader(TEMPLATES)
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def css() -> str:
    """The style sheet of a report that stands alone."""
    return (TEMPLATES / "review.css").read_text(encoding="utf-8") + CSS


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
