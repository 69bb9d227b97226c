"""What the templates are given: the page's parts for one viewer, its tables of batches, its kitchen timer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from kojimon.contract import state as doc
from kojimon.journal.records import BatchRow
from kojimon.journal.stamps import Stamps
from kojimon.schedule.spec import Schedule
from kojimon.units import show_duration
from kojimon.web.api.stamps import iso_utc
from kojimon.web.page.view import TONE_WORDS, Box, View, key_of
from kojimon.web.page.viewer import fresh_key
from kojimon.words.batches import ENDINGS, hours_of
from kojimon.words.speech import Speech

if TYPE_CHECKING:
    from jinja2 import Environment

HERE: Final = Path(__file__).parent
STATIC: Final = HERE / "static"


class Timer(Struct, frozen=True):
    """A timed step before the spores. `state`: `done`, `runs` or `waits`."""

    step: str
    label: str
    state: str
    lasts: str
    when: str
    until: str
    until_utc: str
    can: bool
    key: str


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The page's templates; everything put into them is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from kojimon.web.page.compiled import Beside

    templates = HERE / "templates"
    made = Environment(
        loader=FileSystemLoader(templates), bytecode_cache=Beside(templates), auto_reload=False,
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.globals |= {"tone_words": TONE_WORDS, "fresh_key": fresh_key, "version": version(), "told": ()}
    made.globals |= {"here": "", "zone": "", "now_utc": "", "box_name": "", "follows": "", "looks": ""}
    return made


@lru_cache(maxsize=1)
def version() -> str:
    """Changes with the page's own files, so that browsers keep them as long as they are the same."""
    import hashlib

    return hashlib.sha256(
        style_sheet().encode() + b"".join((STATIC / f"{name}.js").read_bytes() for name in ("curve", "page"))
    ).hexdigest()[:12]


@lru_cache(maxsize=1)
def style_sheet() -> str:
    """How page and curves look; curves and reviews look as in a file that stands alone."""
    from kojimon.review.tell.looks import css

    return (STATIC / "page.css").read_text(encoding="utf-8") + css()


def compile_all() -> None:
    """Compiles every template, for an installation whose service may write nothing."""
    for name in environment().list_templates(extensions=["html"]):  # what an earlier run compiled lies among them
        environment().get_template(name)


def render(template: str, **content: Any) -> str:
    """A template as markup."""
    return environment().get_template(template).render(**content)


def regions(
    view: View, timers: Mapping[str, list[Timer]], versions: Mapping[str, str], only: str = ""
) -> dict[str, str]:
    """The parts of the page that change, by id.

    Args:
        only: of this incubator only; "" for all.
    """
    parts: Any = environment().get_template("parts.html").module
    found = {
        "site": str(parts.alarms("", view.alarms)),
        "brief": str(parts.brief(view.alarms, view.boxes)),
        "clock": f"It is {view.now} in {_escaped(view.zone)}.",
    }
    for box in view.boxes:
        if only and box.name != only:
            continue
        found[f"head-{box.name}"] = str(parts.head(box))
        found[f"now-{box.name}"] = str(parts.now(box))
        found[f"values-{box.name}"] = str(parts.values(box))
        found[f"timer-{box.name}"] = str(parts.timer(box, timers.get(box.name, [])))
        found[f"steps-{box.name}"] = str(parts.steps(box))
        found[f"curve-{box.name}"] = versions.get(box.name, "")
    return found


def _escaped(text: str) -> str:
    from markupsafe import escape

    return str(escape(text))


def timers_of(box: Box, plain: doc.Box, schedule: Schedule | None, speech: Speech, now: str) -> list[Timer]:
    """The kitchen timer: each step before the spores that lasts a known time, running from when it was marked."""
    if schedule is None or not box.before_spores:
        return []
    return list(_timers(plain, schedule, speech, now))


def _timers(plain: doc.Box, schedule: Schedule, speech: Speech, now: str) -> Iterator[Timer]:
    own = {step.name: step for step in plain.steps}
    names = [step.name for step in schedule.steps]
    first = names.index("inoculate") if "inoculate" in names else len(names)
    begun = [index for index, name in enumerate(names[:first]) if _mark(own.get(name))]
    for index, step in enumerate(schedule.steps[:first]):
        stands = own.get(step.name)
        if stands is None:
            continue
        mark = _mark(stands)
        running = mark is not None and index == max(begun, default=-1)
        until = _later(mark, step.lasts_s) if mark and running and step.lasts_s else ""
        yield Timer(
            step.name, step.label, "runs" if running else "done" if mark else "waits",
            f"takes {show_duration(step.lasts_s)}" if step.lasts_s else "",
            speech.moment(mark.at_utc, now) if mark and mark.at_utc else "",
            speech.moment(until, now) if until else "", until, stands.status != "done" and not mark,
            key_of(plain, stands),
        )  # fmt: skip


def _mark(step: doc.Step | None) -> doc.Mark | None:
    return next(iter(step.standing), None) if step else None


def _later(mark: doc.Mark, seconds: float) -> str:
    from kojimon.words.speech import moment_utc

    utc = mark.at_utc
    return iso_utc(round(moment_utc(utc).timestamp() * 1000 + seconds * 1000)) if utc else ""


class BatchLine(Struct, frozen=True):
    """A batch in the list."""

    id: str
    name: str
    day: str
    hours: str
    ended: str
    koji: str
    score: str
    photo: str


def batch_lines(
    rows: list[BatchRow], scores: Mapping[str, float], photos: Mapping[str, str], stamps: Stamps, now_ms: int,
    speech: Speech,
) -> list[BatchLine]:  # fmt: skip
    """The list of batches, the latest first."""
    return [
        BatchLine(
            row.id, row.name, _day(stamps.utc_ms(row.started_t_ms)[0], speech), hours_of(row, now_ms),
            ENDINGS.get(row.outcome, row.outcome), speech.mass(row.yield_kg) if row.yield_kg else "",
            f"{scores[row.id]:.1f}" if row.id in scores else "", photos.get(row.id, ""),
        )
        for row in reversed(rows)
    ]  # fmt: skip


def _day(utc_ms: int, speech: Speech) -> str:
    from kojimon.words.speech import zone_info

    return f"{datetime.fromtimestamp(utc_ms / 1000, zone_info(speech.zone)):%d %b %Y}".lstrip("0")
