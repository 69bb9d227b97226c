"""A review whole: hand-made batches, the file that stands alone, batches beside each other."""

import re
from collections.abc import Iterator
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import pytest
from msgspec import structs

from kojimon.curve import Style
from kojimon.errors import UsageError
from kojimon.journal.reading.reader import Reader
from kojimon.review.counted import Review, load_review
from kojimon.review.draw.sheet import speech_of
from kojimon.review.earlier import best_before, best_of, earlier_of
from kojimon.review.measure.bands import spans
from kojimon.review.measure.story import Span
from kojimon.review.tell import by_hand
from kojimon.review.tell.compare import best, differences, sides, table
from kojimon.review.tell.figures import lead, tables
from kojimon.review.tell.report import (
    compare_file,
    compare_of,
    compare_paper,
    report_of,
    review_file,
    review_paper,
)
from kojimon.words.speech import Speech
from tests.alarms.build import high, schedule
from tests.curve.sheets import SVG, read
from tests.review.kitchen import Kitchen

STYLE = Style(700)


def kitchen(folder: Path) -> Kitchen:
    """Two batches, a week apart: the second warms 3 h later, grows 2 °C hotter, and gets somebody up."""
    one = Kitchen(folder)
    _batch(one, 0.0, "b-1", "first", 18.0, 39.5)
    one.act(50.0, "batch.verdict", batch="b-1", look_score=5, smell_score=5)
    _batch(one, 168.0, "b-2", "second", 21.0, 43.5)
    return one


def _batch(one: Kitchen, at: float, batch: str, name: str, onset_h: float, peak_c: float) -> None:
    one.begin(at, id=batch, name=name, rice_kg=2.0)
    for minute in range(44 * 60):
        hour = minute / 60
        bed = 31.0 if hour < onset_h else min(peak_c, 31.0 + hour - onset_h)
        if hour > 40:
            bed = 36.0
        one.read(at + hour, "bed", bed).read(at + hour, "bed-2", bed - 0.5)
        one.read(at + hour, "air", 30.0).read(at + hour, "air-humidity", 85.0)
    one.act(at + 24.0, "step.done", step="first-check")
    one.act(at + 44.0, "batch.harvest", yield_kg=2.35)


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Reader, list[Review]]]:
    with closing(kitchen(tmp_path_factory.mktemp("pair")).write(220.0)) as reader:
        yield reader, [load_review(reader, name) for name in ("b-1", "b-2")]


def speech(review: Review, fahrenheit: bool = False) -> Speech:
    return speech_of(review.case, fahrenheit, fahrenheit, "America/Chicago")


def test_the_first_batch_by_hand(pair: tuple[Reader, list[Review]]) -> None:
    """31 °C to hour 18, 1 K/h to 39.5 °C at hour 26.5, held to hour 40, then 36 °C to hour 44.

    3 °C above the air (30 °C) is reached at hour 20 and held: that is the onset. 35 °C at hour 22, 38 °C at hour 25.
    30-35: 22 h; 35-38: 3 h and 4 h; above 38: from hour 25 to 40, 15 h.
    """
    tray = pair[1][0].figures.trays[0]
    assert tray.onset_h == pytest.approx(20.0, abs=0.02)
    assert tray.reached_h == pytest.approx((22.0, 25.0, None, None), abs=0.02)
    assert tray.ranges_h == pytest.approx((22.0, 7.0, 15.0, 0.0), abs=0.03)
    assert tray.curve.highest == 39.5
    assert tray.curve.highest_h == pytest.approx(26.5, abs=0.02)
    assert tray.rise_k_per_h == pytest.approx(1.0, abs=0.001)


def test_rice_still_hot_from_the_steamer_has_reached_nothing(tmp_path: Path) -> None:
    """39 °C as the spores go on, 31 °C half an hour later, 1 K/h by itself from hour 15 on: 35 °C at hour 19."""
    one = Kitchen(tmp_path).begin()
    for minute in range(0, 24 * 60, 5):
        hour = minute / 60
        bed = max(31.0, 39.0 - 16.0 * hour) if hour < 15 else min(36.0, 31.0 + hour - 15)
        one.read(hour, "bed", bed).read(hour, "air", 30.0)
    with closing(one.write(24.0)) as reader:
        tray = load_review(reader, "b-1").figures.trays[0]
    assert tray.reached_h == pytest.approx((19.0, None, None, None), abs=0.1)


def test_readings_from_before_and_after_the_batch_do_not_count(pair: tuple[Reader, list[Review]]) -> None:
    for review in pair[1]:
        assert review.figures.length_h == pytest.approx(44.0)
        assert sum(review.figures.trays[0].ranges_h[:3]) == pytest.approx(44.0, abs=0.05)


def test_a_work_against_its_window(pair: tuple[Reader, list[Review]]) -> None:
    """The look opens and is due with self-warming (3 °C above the air for ten minutes: hour 20.2), done at hour 24."""
    timing = next(t for t in pair[1][0].figures.timings if t.step == "first-check")
    assert timing.hour == 24.0
    assert timing.after_due_h == pytest.approx(24 - 20.18, abs=0.05)
    assert (timing.late_h, timing.early_h) == (0.0, 0.0)


def test_differences_in_words(pair: tuple[Reader, list[Review]]) -> None:
    reviews = pair[1]
    one, other = sides(reviews)
    told = differences(other, one, speech(reviews[0]))
    assert "was first seen clearly warm 3 h later" in told
    assert "reached 35 °C 3 h later" in told
    assert "4 °C hotter" in " ".join(told).replace("4.0 °C", "4 °C")
    assert any(re.fullmatch(r"\d+ h( \d+ min)? above 40 °C, none in first", text) for text in told), told
    assert "reached 40 °C at hour 30.0; first never did" in told
    in_f = " ".join(differences(other, one, speech(reviews[0], fahrenheit=True)))
    assert "7.2 °F hotter" in in_f and "°C" not in in_f


def test_beside_an_unmeasured_batch_nothing_is_said_never_to_have_been(
    pair: tuple[Reader, list[Review]], tmp_path: Path
) -> None:
    with closing(Kitchen(tmp_path).begin().act(41.0, "batch.harvest").write(41.0)) as reader:
        bare = load_review(reader, "b-1")
    one, other = sides([bare, bare])
    rows = {row.label: row.cells[0] for row in table([one, other], speech(bare), "spores").rows}
    warmth = [cell for label, cell in rows.items() if label.startswith(("Began", "Reached", "Above"))]
    assert set(warmth) == {"not measured"} and "loudspeaker only: no channel" in rows["Times you were woken"]
    warm = pair[1][0]
    told = " ".join(differences(sides([warm])[0], one, speech(bare)))
    assert "by itself" not in told and "reached" not in told and "above" not in told, "nor is it compared"
    trays = tuple(structs.replace(tray, onset_h=None) for tray in warm.figures.trays)
    case = structs.replace(warm.case, row=warm.case.row._replace(started_t_ms=9 * 3_600_000))
    late = structs.replace(warm, case=case, figures=structs.replace(warm.figures, trays=trays))
    assert table(sides([late]), speech(late), "spores").rows[0].cells == ("not known",)


def test_aligned_at_self_warming_the_three_hours_are_gone(pair: tuple[Reader, list[Review]]) -> None:
    reviews = pair[1]
    one, other = sides(reviews, "warming")
    told = differences(other, one, speech(reviews[0]))
    assert not any(text.startswith(("was first seen", "reached 35")) for text in told)


def test_the_same_batch_is_much_the_same(pair: tuple[Reader, list[Review]]) -> None:
    one, twin = sides([pair[1][0], pair[1][0]])
    assert differences(one, twin, speech(pair[1][0])) == ["Much the same as first (b-1)."]


def test_the_best_by_its_scores_is_the_reference(pair: tuple[Reader, list[Review]]) -> None:
    reader, reviews = pair
    assert best(reviews) == 0
    found = best_before(reader, reviews[1].case.row)
    assert found is not None and (found[0].id, found[1]) == ("b-1", 5.0)
    pale = earlier_of(reader, reviews[1].case.row)
    assert pale is not None and pale.label == "batch first, your best, 5.0 of 5"
    assert max(point.high for run in pale.runs for point in run) == 39.5
    assert best_before(reader, reviews[0].case.row) is None


def test_the_story_in_sentences(pair: tuple[Reader, list[Review]]) -> None:
    told = lead(pair[1][1], speech(pair[1][1], fahrenheit=True))
    assert told[0] == "Harvested 44.0 hours after the spores: 5.2 lb of koji."
    assert told[1] == "The top tray grew hottest: 110.3 °F at hour 33.5."
    assert told[2] == "It was first seen clearly warm at hour 23.0."
    assert told[3].endswith("of them could wake you by a loudspeaker only: no channel.")
    review = pair[1][1]
    called = structs.replace(review.case, settings={"channels": [{"name": "phone"}]})
    assert lead(structs.replace(review, case=called), speech(review))[-1].endswith("of them woke you.")


def test_yield_stands_beside_what_is_published(pair: tuple[Reader, list[Review]]) -> None:
    """2.35 kg of 2 kg are 117.5 %: within the 117-119 % of sake brewers' notes."""
    table = next(t for t in tables(pair[1][0], speech(pair[1][0])) if t.title == "Weight")
    assert table.rows[-1].cells == ("118 %",) and "117 to 119 %" in table.rows[-1].note
    review = pair[1][0]
    dried = structs.replace(review, case=structs.replace(review.case, row=review.case.row._replace(yield_kg=0.5)))
    weight = next(t for t in tables(dried, speech(dried)) if t.title == "Weight")
    assert weight.rows[-1].cells[0].startswith("25 %: impossible, drier than koji"), "as at the harvest"


class Outside(HTMLParser):
    """Collects what a page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        for name, value in attrs:
            fetches = name in ("src", "href", "data", "srcset", "action") and not (value or "").startswith("data:")
            if fetches or name.startswith("on") or tag in ("script", "link", "iframe", "object"):
                self.found.append(f"{tag} {name}={value}")


def outside(html: str) -> list[str]:
    parser = Outside()
    parser.feed(html)
    assert "svg" in parser.seen and "table" in parser.seen
    return parser.found + re.findall(r"url\([^)]*\)|@import[^;]*", html)


def test_the_file_needs_nothing_else(batch: Reader) -> None:
    review = load_review(batch, "b-1")
    html = review_file(report_of(review, speech(review), STYLE))
    assert outside(html) == []
    assert "smells of chestnut &lt;b&gt;" in html and "<b>" not in html.split("</style>", 1)[1]
    assert "kojimon cannot tell whether koji is safe to eat" in html
    assert "5 of 5" in html and "Before anybody eats it" in html
    assert "@media print" in html and "prefers-color-scheme" in html


def test_a_comparison_as_a_file(pair: tuple[Reader, list[Review]]) -> None:
    html = compare_file(compare_of(pair[1], speech(pair[1][0]), STYLE, "warming"))
    assert outside(html) == []
    assert "Seen from first, with your best score, 5.0 of 5." in html


def test_a_comparison_marks_the_works_on_the_lines(pair: tuple[Reader, list[Review]]) -> None:
    """Each looked at hour 24: `first` at 31 + (24 - 18) = 37 °C, `second` at 31 + (24 - 21) = 34 °C, hottest tray."""
    marks = compare_of(pair[1], speech(pair[1][0]), STYLE).sheet.marks
    assert [(mark.hour, mark.value) for mark in marks if mark.text == "Look, break up and mix"] == [
        (24.0, pytest.approx(37.0, abs=0.1)), (24.0, pytest.approx(34.0, abs=0.1))
    ]  # fmt: skip


def test_the_order_in_which_batches_are_named_does_not_choose_the_reference(pair: tuple[Reader, list[Review]]) -> None:
    from msgspec.structs import replace

    bare = [replace(one, case=replace(one.case, story=replace(one.case.story, verdict=None))) for one in pair[1]]
    assert [bare[best(bare)].case.row.name, bare[::-1][best(bare[::-1])].case.row.name] == ["second", "second"]
    assert [pair[1][::-1][best(pair[1][::-1])].case.row.name] == ["first"]


def test_verdict_advice_and_curve_come_first_and_the_rest_is_folded(pair: tuple[Reader, list[Review]]) -> None:
    reader, (_, second) = pair
    html = review_file(report_of(second, speech(second), STYLE, best=best_of(reader, second.case.row)))
    body = html[html.index("<main>") :]
    order = [
        body.index(text) for text in ("How it was:", "For next time", "<svg", "Before anybody eats it", "<details")
    ]
    assert order == sorted(order)
    folded = body[body.index("How alarms, forecasts and probes did") :]
    for text in ("Most in ten minutes", "OPC UA", "Readings"):
        assert text in folded and text not in body[: -len(folded)]


def test_the_review_is_one_printed_page(pair: tuple[Reader, list[Review]]) -> None:
    """A4 is 210 by 297 mm (ISO 216): 794 by 1123 px at 96 an inch. Every word is on it, the curve lies across it."""
    reader, reviews = pair
    made = report_of(reviews[1], speech(reviews[1]), STYLE, best=best_of(reader, reviews[1].case.row))
    svgs = review_paper(made, STYLE), compare_paper(compare_of(reviews, speech(reviews[0]), STYLE), STYLE)
    for svg, title in zip(svgs, ("Batch second", "first and second"), strict=True):
        tree = read(svg)
        assert (tree.get("width"), tree.get("height")) == ("794", "1123")
        told = " ".join("".join(text.itertext()) for text in tree.findall(f"{SVG}text"))
        assert title in told
        (curve,) = tree.findall(f"{SVG}svg")
        assert curve.get("data-lying") == "yes"
        ends = [float(text.get("y", "0")) for text in tree.findall(f"{SVG}text")]
        assert max([*ends, float(curve.get("y", "0")) + float(curve.get("height", "0"))]) <= 1123 - 40
        if title == "Batch second":
            read_on = " ".join(told.split())
            assert [text for text in ("Before anybody eats it", *made.cautions) if text not in read_on] == []


def test_an_unknown_batch_is_told(batch: Reader) -> None:
    with pytest.raises(UsageError, match="no batch 'b-9'"):
        load_review(batch, "b-9")


def test_an_open_batch_that_was_never_inoculated(folder: Path) -> None:
    one = Kitchen(folder).act(0.0, "batch.start", id="b-1", name="raw")
    for minute in range(90):
        one.read(minute / 60, "bed", 60.0 - minute / 4)
    reader = one.write(1.5)
    review = load_review(reader, "b-1")
    assert not review.case.inoculated
    assert review.figures.length_h == pytest.approx(1.5)
    assert lead(review, speech(review))[0] == "Still growing, 1.5 hours after the start."
    assert "<svg" in review_file(report_of(review, speech(review), STYLE))


def test_a_batch_without_a_single_reading(folder: Path) -> None:
    reader = Kitchen(folder).begin().act(41.0, "batch.discard", reason="power cut").write(41.0)
    review = load_review(reader, "b-1")
    assert lead(review, speech(review))[0] == "Thrown away 41.0 hours after the spores."
    assert review.figures.trays == ()
    assert "Thrown away" in review_file(report_of(review, speech(review), STYLE))


def test_corrections_count(folder: Path) -> None:
    """The spores were marked at hour 2 and corrected to hour 1; a mixing was taken back."""
    one = Kitchen(folder).act(0.0, "batch.start", id="b-1", name="x")
    one.act(2.0, "step.done", step="inoculate", override="x").act(3.0, "step.correct", mark=1, at_t_ms=3_600_000)
    one.act(20.0, "step.done", step="first-check").act(20.1, "step.undo", mark=2)
    one.read(4.0, "bed", 30.0)
    review = load_review(one.write(25.0), "b-1")
    assert review.case.hours.zero_ms == 3_600_000
    assert [timing.step for timing in review.figures.timings] == ["inoculate"]
    assert review.figures.length_h == pytest.approx(24.0)


def test_bad_readings_are_told_and_not_used(folder: Path) -> None:
    one = Kitchen(folder).begin()
    for minute in range(600):
        spike = minute % 100 == 50
        one.read(minute / 60, "bed", 85.0 if spike else 31.0, 4 if spike else 0)
    review = load_review(one.write(10.0), "b-1")
    quality = next(q for q in review.quality if q.probe == "bed")
    assert (quality.readings, quality.bad) == (600, {4: 6})
    assert review.figures.trays[0].curve.highest == 31.0
    table = next(t for t in tables(review, speech(review)) if t.title == "Readings")
    assert table.rows[0].cells[3] == "6 not a measurement (the device's own fault code)"


def test_a_work_before_its_window_is_told_as_early(tmp_path: Path) -> None:
    """The look is never later than hour 18 to 24 on the clock; done at hour 13 its window never opened."""
    kitchen = Kitchen(tmp_path).begin()
    for minute in range(0, 14 * 60, 5):
        kitchen.read(minute / 60, "bed", 30.0).read(minute / 60, "air", 29.5)
    reader = kitchen.act(13.0, "step.done", step="first-check").act(14.0, "batch.harvest").write()
    review = load_review(reader, "b-1")
    timing = next(t for t in review.figures.timings if t.step == "first-check")
    assert (timing.hour, timing.opens_h, timing.due_h) == (13.0, 18.0, 24.0)
    assert timing.early_h == pytest.approx(5.0)


def test_the_calibration_in_force_is_named_and_a_later_one_is_not(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path)
    kitchen.act(0.0, "probe.calibrate", probe="bed", points=[[0.4, 0.0]], date="2026-10-02", note="ice ±0.05")
    kitchen.begin(1.0)
    for minute in range(60, 3 * 60, 5):
        kitchen.read(minute / 60, "bed", 30.0).read(minute / 60, "air", 29.5)
    kitchen.act(3.0, "batch.harvest")
    kitchen.act(4.0, "probe.calibrate", probe="bed", points=[[0.9, 0.0]], date="2026-10-20", note="again")
    reader = kitchen.write()
    found = next(one for one in load_review(reader, "b-1").quality if one.probe == "bed")
    assert (found.calibration, found.dated, found.noted) == (((0.4, 0.0),), "2026-10-02", "ice ±0.05")


def test_where_nothing_could_wake_anybody_the_story_says_so(pair: tuple[Reader, list[Review]]) -> None:
    review = pair[1][1]
    mute = structs.replace(review.case, settings={"channels": [], "speaker": {"use": False}})
    told = lead(structs.replace(review, case=mute), speech(review, fahrenheit=True))
    assert told[3].endswith("could wake nobody: no channel, no loudspeaker.")


def test_the_second_verdict_is_the_one_that_stands(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path).begin().read(1.0, "bed", 30.0).act(2.0, "batch.harvest")
    for hour, score in ((3.0, 2), (4.0, 4)):
        kitchen.act(hour, "batch.verdict", batch="b-1", look_score=score)
    with closing(kitchen.write()) as reader:
        verdict = load_review(reader, "b-1").case.story.verdict
    assert verdict is not None and verdict.scores == {"look": 4}


def test_a_step_that_was_still_open_at_the_harvest_was_not_missed(tmp_path: Path) -> None:
    """The look opens at hour 18 and closes at hour 30; the batch ended at hour 20."""
    kitchen = Kitchen(tmp_path).begin()
    for minute in range(0, 20 * 60, 5):
        kitchen.read(minute / 60, "bed", 30.0).read(minute / 60, "air", 29.5)
    with closing(kitchen.act(20.0, "batch.harvest").write()) as reader:
        review = load_review(reader, "b-1")
    (look,) = [one for one in review.case.story.windows if one.step == "first-check"]
    assert look.closes_ms is not None and review.figures.missed == ()


def test_the_limits_of_a_ramp_that_was_cut_short_are_told_as_far_as_they_came() -> None:
    """From 35 to 40 °C within an hour, ended after half of it: 37.5 °C."""
    plan = schedule(high(35.0), later=(structs.replace(high(40.0), ramp_s=3600.0),))
    stages = [Span("only", "Only", 0, 3_600_000), Span("later", "Later", 3_600_000, 5_400_000)]
    found = spans(stages, lambda _: plan, lambda t_ms: t_ms, 5_400_000)
    assert [(one.begin.high, one.end.high) for one in found] == [(35.0, 35.0), (35.0, 37.5)]


def test_koji_that_was_read_by_hand_alone_is_told_by_its_hottest_reading(tmp_path: Path) -> None:
    one = Kitchen(tmp_path).begin()
    for hour, value_c in ((20, 34.0), (26, 39.0), (30, 36.0)):
        one.act(hour, "reading", value_c=value_c)
    with closing(one.write(32.0)) as reader:
        told = by_hand.sentence(load_review(reader, "b-1"), Speech())
    assert "read by hand 3 times, hottest 39.0 °C at hour 26.0;" in told
