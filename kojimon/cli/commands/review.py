"""`kojimon review`: a batch looked at afterwards; as tables here, or as a file to keep, print and lay beside others."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.batches import batch_of
from kojimon.cli.shared.kitchen import Kitchen, print_events
from kojimon.cli.shared.opening import journal_path, open_kitchen, reader_of
from kojimon.cli.shared.options import config_option, example, json_option, output_option, unit_option
from kojimon.cli.shared.output import write_whole
from kojimon.contract.acts import BatchVerdict
from kojimon.contract.rows import Batch
from kojimon.contract.state import Document as StateDocument

if TYPE_CHECKING:
    from kojimon.journal.reading.reader import Reader
    from kojimon.review.counted import Review
    from kojimon.review.earlier import Best
    from kojimon.words.speech import Speech

SCORE = click.IntRange(1, 5)
Document = dict[str, Any]


@click.command(
    epilog=example(
        "kojimon review",
        "kojimon review box-12 -o first.html",
        "kojimon review box-12 -o first.pdf",
        "kojimon review box-12 --beside box-7 --align warming",
        'kojimon review box-12 --look "white to the core" --look-score 5 --smell-score 4',
    )
)
@click.argument("batch", required=False, default="")
@output_option
@click.option(
    "--beside", multiple=True, metavar="BATCH", help="Compare with this batch too; may be given several times."
)
@click.option(
    "--align",
    type=click.Choice(["spores", "warming"]),
    default="spores",
    show_default=True,
    help="Where compared batches are laid on each other: at the spores, or where each began to warm by itself.",
)
@unit_option
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@click.option("--look", metavar="TEXT", help="Your verdict: how it looks.")
@click.option("--look-score", type=SCORE, help="1 to 5.")
@click.option("--smell", metavar="TEXT", help="How it smells.")
@click.option("--smell-score", type=SCORE, help="1 to 5.")
@click.option("--taste", metavar="TEXT", help="How it tastes. A good smell does not prove it safe.")
@click.option("--taste-score", type=SCORE, help="1 to 5.")
@click.option("--more", is_flag=True, help="Also how alarms, forecasts and probes did.")
@json_option
@config_option
def review(
    batch: str, output: Path | None, beside: tuple[str, ...], align: str, unit: str | None, force: bool, more: bool,
    as_json: bool, config: str | None, **said: Any,
) -> None:  # fmt: skip
    """What happened in a batch (its id or name; without one, the open or latest), and how it differs from others."""
    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch)
    _say(kitchen, row, {name: value for name, value in said.items() if value is not None})
    others = [batch_of(kitchen, name).id for name in beside]
    document = kitchen.state()
    fahrenheit = document.units.fahrenheit if unit is None else unit == "F"
    with reader_of(kitchen, told=False) as reader:
        reviews = [_load(reader, name) for name in dict.fromkeys([row.id, *others])]
        speech = _speech(reviews[0], document, fahrenheit)
        if as_json:
            screen.print_json([_plain(one) for one in reviews])
        elif output is not None:
            data = _file(reader, reviews, speech, align, journal_path(kitchen), output.suffix.lower())
            write_whole(output, data, force)
            what = "one page to print" if output.suffix.lower() == ".pdf" else "opens in any browser, offline too"
            screen.say(f"{output}: {len(data) // 1024} KB; {what}.", "good")
        elif len(reviews) > 1:
            _print_comparison(reviews, speech, align)
        else:
            _print(reviews[0], speech, _best(reader, reviews[0]), more)


def _say(kitchen: Kitchen, row: Batch, said: Document) -> None:
    if said:
        print_events(kitchen, kitchen.act(BatchVerdict(batch=row.id, **said), row.incubator))


def _load(reader: Reader, batch: str) -> Review:
    from kojimon.review.counted import load_review

    with screen.progress(f"Reading {batch}", 1.0) as bar:
        return load_review(reader, batch, lambda done, total: bar(done / max(1, total)))


def _speech(review: Review, document: StateDocument, fahrenheit: bool) -> Speech:
    from kojimon.review.draw.sheet import speech_of

    return speech_of(review.case, fahrenheit, document.units.pounds, document.now.zone)


def _file(reader: Reader, reviews: list[Review], speech: Speech, align: str, journal: Path, kind: str) -> bytes:
    """The review, or the comparison, as the content of a file. Raises UsageError for a kind that is not known."""
    from kojimon.curve import Style
    from kojimon.journal.files.backup import photos_of
    from kojimon.review.earlier import best_of, earlier_of
    from kojimon.review.tell import report

    if kind not in (".html", ".pdf"):
        raise click.UsageError(f"A file that ends in {kind or 'nothing'}: .html or .pdf is expected.")
    style = Style(report.WIDTH_PX, 0.0, speech.fahrenheit, speech.zone)
    if len(reviews) > 1:
        found = report.compare_of(reviews, speech, style, align)
        return report.compare_file(found).encode() if kind == ".html" else _pdf(report.compare_paper(found, style))
    (one,) = reviews
    row, photos = one.case.row, report.embedded(photos_of(journal))
    made = report.report_of(one, speech, style, earlier_of(reader, row), photos, best_of(reader, row))
    return report.review_file(made).encode() if kind == ".html" else _pdf(report.review_paper(made, style))


def _pdf(svg: str) -> bytes:
    from kojimon.curve.pixels import pdf

    return pdf(svg)


def _best(reader: Reader, review: Review) -> Best | None:
    from kojimon.review.earlier import best_of

    return best_of(reader, review.case.row)


def _print(review: Review, speech: Speech, best: Best | None, more: bool) -> None:
    from kojimon.review.tell.figures import lead, tables
    from kojimon.review.tell.next_time import NOTHING, hints
    from kojimon.review.tell.report import verdict_of
    from kojimon.words.eating import CAUTIONS

    screen.say(f"Batch {review.case.row.name}", "head")
    for sentence in lead(review, speech):
        screen.say(sentence)
    if judged := verdict_of(review.case):
        screen.say(f"How it was: {judged}")
    if review.case.row.ended_t_ms is not None:
        screen.heading("For next time")
        found = hints(review, speech, best)
        for hint in found:
            screen.say(f"{hint.seen} {hint.proposal}", indent=2)
        if not found:
            screen.say(NOTHING, indent=2)
    shown = tables(review, speech)
    for table in (table for table in shown if more or not table.expert):
        screen.heading(table.title)
        screen.table(["", *table.heads], [[row.label, *row.cells] for row in table.rows])
        if table.note:
            screen.say(table.note, "quiet", indent=2)
    if not more and any(table.expert for table in shown):
        screen.say("How alarms, forecasts and probes did: kojimon review --more", "quiet")
    screen.heading("Before anybody eats it")
    for caution in CAUTIONS:
        screen.say(caution, "look", indent=2)


def _print_comparison(reviews: list[Review], speech: Speech, align: str) -> None:
    from kojimon.curve import Style
    from kojimon.review.tell.report import compare_of

    found = compare_of(reviews, speech, Style(), align)
    screen.say(found.title, "head")
    screen.say(found.about)
    for told in found.told:
        screen.heading(told.title)
        for sentence in told.sentences:
            screen.say(sentence, indent=2)
    screen.heading(found.table.title)
    screen.table(["", *found.table.heads], [[row.label, *row.cells] for row in found.table.rows])
    screen.say(found.table.note, "quiet")


def _plain(review: Review) -> Document:
    """The figures as data: °C, %, hours; alarm times in engine ms."""
    import msgspec

    forecasts = {"leads": review.forecasts, "passings": review.warned.passings, "warnings": review.warned.warnings}
    parts = {"figures": review.figures, "alarms": review.alarms, "quality": review.quality, "forecasts": forecasts}
    return {"batch": review.case.row._asdict(), **{name: msgspec.to_builtins(part) for name, part in parts.items()}}
