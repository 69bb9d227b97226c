"""What happened: windows and signs in a lane at the koji's cool edge, words where the lines leave room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from kojimon.curve.axes import APART_H, Scale, beyond
from kojimon.curve.element import NARROWEST, escaped, num, tag, width_of, words
from kojimon.curve.layout import Layout, Span
from kojimon.curve.sheet import HOUR_MS, Mark, Sheet, Strip, Style, Window
from kojimon.curve.thin import rows
from kojimon.units import show_duration, show_temperature

LANE_PX, SIGNS_PX = 7.0, 13.0
"""The lane of windows at the edge, and that of signs beside it."""
LINES_MOST = 3
BOLDER = 1.12
"""So much wider bold words are, about."""
SIGNS_MOST = 300
"""Beyond so many marks (an alarm that comes and goes for a night) only those with words get a sign."""
TYPEWRITER = 0.61
"""Width of each letter of a typewriter face, of the font's size."""

TRIED_MOST = 80
"""So many words at most are tried for a place, those of the lowest rank first."""
BIN_PX = 4.0
OVER_LINE = 12.0
"""Words on a line cost as much as words so many lines away from their hour (judgement)."""


class Rect(NamedTuple):
    """A rectangle, px."""

    x: float
    y: float
    width: float
    height: float

    def meets(self, other: Rect) -> bool:
        """Whether both share more than an edge."""
        return (
            self.x < other.x + other.width and other.x < self.x + self.width
            and self.y < other.y + other.height and other.y < self.y + self.height
        )  # fmt: skip


class Word(NamedTuple):
    """Words that look for a place: near (along, across); across None: from the lane of signs on."""

    lines: tuple[str, ...]
    class_: str
    rank: int
    along: float
    across: float | None = None
    title: str = ""
    bold: bool = False
    at_line: bool = False


class Placed(NamedTuple):
    """Words at their place."""

    word: Word
    rect: Rect


Taken = list[dict[int, tuple[float, float]]]
"""Of each line: by bin along, from where to where it lies across, px."""


def margin(sheet: Sheet, scale: Scale, layout: Layout, style: Style) -> str:
    """Windows, signs and words, and what lies beyond the scale."""
    koji = layout.strips[Strip.KOJI]
    marks = sheet.marks if sheet.now_h is None else (*sheet.marks, Mark(sheet.now_h, "now", "now", rank=-1))
    shown = [mark for mark in marks if sheet.from_h <= mark.hour <= sheet.to_h]
    parts = list(_windows(sheet, layout))
    parts += [_lasting(mark, layout, sheet) for mark in sheet.marks[:SIGNS_MOST] if mark.until_h is not None]
    wanted = [_word(mark, scale, layout) for mark in shown]
    wanted += [*_edges(sheet, scale, layout, style), *_ends(sheet, scale, layout)]
    blocked = [_around(mark, scale, layout) for mark in shown if mark.value is not None]
    placed, left_out = place(wanted, layout, koji, taken_of(sheet, scale, layout), blocked)
    spoken = {one.word.title for one in placed}
    parts += [_stem(one, layout, koji) for one in placed]
    signed = shown if len(shown) <= SIGNS_MOST else [mark for mark in shown if mark.text in spoken]
    parts += [sign(mark.kind, *_sign_at(mark, scale, layout), mark.tone) for mark in signed]
    parts += [_words(one, layout) for one in placed]
    if left_out:
        x, y = (layout.width, layout.head) if layout.lying else (layout.width, layout.height - 3)
        parts.append(words(x, y, f"+ {left_out} more", "k-small k-end-of"))
    return tag("g", "".join(parts), class_="k-margin")


SIGNS = {
    "step": "M-4 0A4 4 0 1 0 4 0A4 4 0 1 0 -4 0Z",
    "alarm": "M0 -5L5 4H-5Z",
    "note": "M-3.5 -3.5H3.5V3.5H-3.5Z",
    "stage": "M-5 0H5",
    "gap": "M-4 -3L4 3M-4 3L4 -3",
    "end": "M-4 -1.2H4V1.2H-4Z",
    "window": "M-4 -4L4 0L-4 4",
    "now": "M-5 0L0 -5L5 0L0 5Z",
}
"""Shapes about their middle: each kind has its own, so that colour is never the only sign."""


def sign(kind: str, x: float, y: float, tone: str) -> str:
    """The sign of a kind of mark."""
    shape = SIGNS.get(kind, SIGNS["note"])
    return tag("path", d=shape, transform=f"translate({num(x)} {num(y)})", class_=f"k-mark k-{kind} k-tone-{tone}")


def _lane(layout: Layout) -> float:
    """Where signs stand across: beside the lane of windows at the cool edge."""
    koji = layout.strips[Strip.KOJI]
    middle = LANE_PX + SIGNS_PX / 2
    return koji.end - middle if layout.lying else koji.begin + middle


def _sign_at(mark: Mark, scale: Scale, layout: Layout) -> tuple[float, float]:
    across = _lane(layout) if mark.value is None else scale.at(mark.value)
    return layout.xy(layout.at(mark.hour), across)


# Words.


def wrapped(text: str, room: float, font: float, most: int) -> tuple[list[str], bool]:
    """The text in at most so many lines of a width, and whether something was cut off (an ellipsis says so)."""
    lines: list[str] = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if not lines[-1] or width_of(longer, font) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    cut = len(lines) > most
    fitted = [_fit(line, room, font, force=cut and index == most - 1) for index, line in enumerate(lines[:most])]
    return fitted, cut or fitted != lines


def _fit(line: str, room: float, font: float, force: bool) -> str:
    if not force and width_of(line, font) <= room:
        return line
    line = line[: int(room / (NARROWEST * font)) + 1]  # a long word is cut at a stroke, not letter by letter
    while line and width_of(f"{line}…", font) > room:
        line = line[:-1]
    return f"{line.rstrip(' ,.;:')}…"


def _word(mark: Mark, scale: Scale, layout: Layout) -> Word:
    bold = mark.tone == "wrong" or mark.kind == "now"
    font = layout.font * (BOLDER if bold else 1.0)
    koji = layout.strips[Strip.KOJI].size
    room = 13 * font if layout.lying else (koji - LANE_PX - SIGNS_PX) * 0.47
    lines, _ = wrapped(mark.text, room, font, LINES_MOST if mark.rank == 0 else 2)
    across = None if mark.value is None else scale.at(mark.value)
    class_ = f"k-word k-of-{mark.kind} k-tone-{mark.tone}"
    return Word(tuple(lines), class_, mark.rank, layout.at(mark.hour), across, mark.text, bold)


def _edges(sheet: Sheet, scale: Scale, layout: Layout, style: Style) -> Iterator[Word]:
    """The number of what lies beyond the scale, at the edge it lies beyond; of several at once the furthest."""
    koji = layout.strips[Strip.KOJI]
    tracks = (track for track in sheet.tracks if track.strip is Strip.KOJI)
    found = [(track, point) for track in tracks for point in beyond(track, scale, sheet.from_h, sheet.to_h)]
    told: list[tuple[float, bool]] = []
    for track, point in sorted(
        found, key=lambda one: max(one[1].high - scale.high, scale.low - one[1].low), reverse=True
    ):
        over = point.high > scale.high
        if any(abs(point.hour - hour) <= APART_H and over is side for hour, side in told):
            continue
        told.append((point.hour, over))
        arrow = ("▲" if over else "▼") if layout.lying else ("▶" if over else "◀")
        value = show_temperature(point.high if over else point.low, style.fahrenheit, 0)
        edge = koji.begin if over is layout.lying else koji.end
        text = f"{value} {arrow}" if over or layout.lying else f"{arrow} {value}"
        along, title = layout.at(point.hour), f"{track.label}: {value}"
        yield Word((text,), "k-word k-beyond", -1, along, edge, title, bold=True, at_line=True)


def _ends(sheet: Sheet, scale: Scale, layout: Layout) -> Iterator[Word]:
    """The name of each tray at the end of its line, where there are several."""
    koji = [track for track in sheet.tracks if track.strip is Strip.KOJI]
    if len(koji) < 2:
        return
    for track in koji:
        last = next(
            (p for run in reversed(track.runs) for p in reversed(run) if sheet.from_h <= p.hour <= sheet.to_h), None
        )
        if last is not None and scale.low <= last.low <= last.high <= scale.high:
            across = scale.at((last.low + last.high) / 2)
            yield Word((track.label,), "k-word k-end-word", 0, layout.at(last.hour), across, track.label, at_line=True)


def taken_of(sheet: Sheet, scale: Scale, layout: Layout) -> Taken:
    """Where the koji's lines lie, so that words keep off them."""
    found: Taken = []
    for track in sheet.tracks:
        if track.strip is not Strip.KOJI:
            continue
        bins: dict[int, tuple[float, float]] = {}
        for run in track.runs:
            for along, low, high in rows(run, sheet.from_h, sheet.to_h, layout.per_hour / BIN_PX):
                ends = sorted((scale.at(low), scale.at(high)))
                bins[int(along + layout.along.begin / BIN_PX)] = (ends[0], ends[1])
        found.append(bins)
    return found


def _around(mark: Mark, scale: Scale, layout: Layout) -> Rect:
    x, y = _sign_at(mark, scale, layout)
    return Rect(x - 4, y - 4, 8, 8)


def place(
    wanted: Sequence[Word], layout: Layout, koji: Span, taken: Taken, blocked: Sequence[Rect] = ()
) -> tuple[list[Placed], int]:
    """The words at places where none covers another, near their hour and off the lines as far as the others let them.

    Those of a low rank number choose first; what finds no place at all is left out.

    Args:
        blocked: where signs stand on the lines.

    Returns:
        The words placed, by the hour, and how many of what happened were left out.
    """
    placed: list[Placed] = []
    first = sorted(wanted, key=lambda word: (word.rank, word.along))[:TRIED_MOST]
    for word in first:
        best: tuple[float, Rect] | None = None
        for near, rect in _candidates(word, layout, koji):
            if best is not None and near >= best[0]:
                continue
            if any(rect.meets(other.rect) for other in placed) or any(map(rect.meets, blocked)):
                continue
            cost = near + OVER_LINE * _covered(rect, layout, taken)
            if best is None or cost < best[0]:
                best = cost, rect
        if best is not None:
            placed.append(Placed(word, best[1]))
    left_out = sum(not word.at_line for word in wanted) - sum(not one.word.at_line for one in placed)
    return sorted(placed, key=lambda one: one.word.along), left_out


def size_of(word: Word, layout: Layout) -> tuple[float, float]:
    """Width and height of words, px."""
    font = layout.font * (BOLDER if word.bold else 1.0)
    width = max(width_of(line, font) for line in word.lines)
    if "k-end-word" in word.class_:  # in italics: where a system has none of a sans face it takes a typewriter's
        width = max(width, max(map(len, word.lines)) * TYPEWRITER * font)
    return width + 4, len(word.lines) * layout.line


def _candidates(word: Word, layout: Layout, koji: Span) -> Iterator[tuple[float, Rect]]:
    """Places in the picture's koji strip with what each is away from where the words would stand best, in lines."""
    width, height = size_of(word, layout)
    frame = Rect(*layout.box(layout.along, koji).values())
    for x, y, cost in _spots(word, layout, koji, width, height):
        rect = Rect(min(max(x, frame.x + 1), frame.x + frame.width - width - 1), y, width, height)
        inside = frame.y <= y and y + height <= frame.y + frame.height + 0.5
        if inside and frame.width >= width:
            yield cost + abs(rect.x - x) / layout.line, rect


def _spots(
    word: Word, layout: Layout, koji: Span, width: float, height: float
) -> Iterator[tuple[float, float, float]]:  # fmt: skip
    lane = LANE_PX + SIGNS_PX
    if word.at_line or word.across is not None:
        x, y = layout.xy(word.along, koji.begin if word.across is None else word.across)
        for turn in range(24):
            away = (turn + 1) // 2 * (1 if turn % 2 else -1) * 0.5 * layout.line
            for left in (x - width - 4, x + 5, x - width / 2):
                yield left, y - height / 2 + away, turn * 0.5
        return
    if layout.lying:
        count = int((koji.size - lane) / layout.line)
        for row in range(count):
            for left, more in ((word.along + 3, 0.0), (word.along - 3 - width, 0.6)):
                yield left, koji.end - lane - height - row * layout.line, row * 0.5 + more
        return
    middle = word.along - layout.line * 0.5
    for turn in range(24):
        away = (turn + 1) // 2 * (1 if turn % 2 else -1)
        for left, more in ((koji.begin + lane + 2, 0.0), (koji.end - width - 2, 1.5)):
            yield left, middle + away * layout.line * 0.5, abs(away) * 0.8 + more


def _covered(rect: Rect, layout: Layout, taken: Taken) -> float:
    """Which part of a rectangle's length lies on lines, 0 to 1 for each line."""
    along, across = (rect.x, rect.y) if layout.lying else (rect.y, rect.x)
    length, depth = (rect.width, rect.height) if layout.lying else (rect.height, rect.width)
    bins = range(int(along / BIN_PX), int((along + length) / BIN_PX) + 1)
    hit = sum(
        1
        for line in taken
        for one in bins
        if (found := line.get(one)) is not None and found[0] < across + depth and found[1] > across
    )
    return hit / len(bins)


def _stem(one: Placed, layout: Layout, koji: Span) -> str:
    """A thin line from a sign to its words."""
    word, rect = one
    if word.at_line or word.across is not None:
        return ""
    lane = _lane(layout)
    if layout.lying:
        return tag("path", d=f"M{num(word.along)} {num(lane)}V{num(rect.y)}", class_="k-leader")
    middle = min(max(word.along, rect.y + layout.line * 0.3), rect.y + rect.height - layout.line * 0.3)
    return tag("path", d=f"M{num(lane)} {num(word.along)}L{num(rect.x)} {num(middle)}", class_="k-leader")


def _words(one: Placed, layout: Layout) -> str:
    rect, word = one.rect, one.word
    parts = [tag("rect", **rect._asdict(), class_="k-plate")]
    if word.title and " ".join(word.lines) != word.title:
        parts.append(tag("title", escaped(word.title)))
    parts += [
        words(rect.x + 2, rect.y + layout.line * (number + 0.78), text, word.class_)
        for number, text in enumerate(word.lines)
    ]
    return tag("g", "".join(parts))


# What lasts.


def _lasting(mark: Mark, layout: Layout, sheet: Sheet) -> str:
    """A bar in the lane of signs while an alarm's condition held, or the edges of a gap across the strips."""
    assert mark.until_h is not None
    begin_h, end_h = max(mark.hour, sheet.from_h), min(mark.until_h, sheet.to_h)
    if end_h <= begin_h:
        return ""
    begin, end = layout.at(begin_h), layout.at(end_h)
    if mark.kind == "gap":
        ends = min(s.begin for s in layout.strips.values()), max(s.end for s in layout.strips.values())
        return tag("path", d=layout.line_at(begin, *ends) + layout.line_at(end, *ends), class_="k-gap-edge")
    bar = Span(_lane(layout) - 1.5, 3.0)
    box = layout.box(Span(begin, max(1.0, end - begin)), bar)
    return tag("rect", **box, class_=f"k-lasting k-tone-{mark.tone}")


def _windows(sheet: Sheet, layout: Layout) -> Iterable[str]:
    """A bar a window, wide from where the work is wanted; bars that overlap stand side by side."""
    taken: list[float] = []
    for window in sorted(sheet.windows, key=lambda one: one.opens_h):
        end_h = sheet.to_h if window.closes_h is None else window.closes_h
        begin_h, end_h = max(window.opens_h, sheet.from_h), min(end_h, sheet.to_h)
        if end_h <= begin_h:
            continue
        lane = next((index for index, until in enumerate(taken) if until <= begin_h), len(taken))
        taken[lane : lane + 1] = [end_h]
        yield _bar(window, lane, begin_h, end_h, layout)


def _bar(window: Window, number: int, begin_h: float, end_h: float, layout: Layout) -> str:
    hint = f"{window.label}: hour {window.opens_h:.1f}"
    if window.closes_h is not None:
        lasts = show_duration((window.closes_h - window.opens_h) * HOUR_MS / 1000)
        hint += f" to {window.closes_h:.1f} ({lasts})"
    koji, wide = layout.strips[Strip.KOJI], LANE_PX / 2
    off = (number % 2) * wide
    lane = Span(koji.end - off - wide if layout.lying else koji.begin + off, wide - 0.5)
    parts = [tag("title", escaped(hint))]
    for from_h, class_ in ((begin_h, "k-window"), (window.due_h, "k-due")):
        if from_h is not None and begin_h <= from_h <= end_h:
            begin, end = layout.at(from_h), layout.at(end_h)
            parts.append(tag("rect", **layout.box(Span(begin, max(1.0, end - begin)), lane), class_=class_))
    return tag("g", "".join(parts))
