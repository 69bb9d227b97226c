"""Reviews made in a process of their own, so that counting half a million readings holds nobody up in the daemon.

One question a process, a line of JSON each way. `python -m kojimon.review.render`.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec
from msgspec import Struct

from kojimon.child import Child, ChildError, begin
from kojimon.errors import EXIT_USAGE, KojimonError, UsageError

if TYPE_CHECKING:
    from kojimon.journal.reading.reader import Reader

LIMIT_S: Final = 120.0
COMMAND: Final = (sys.executable, "-m", "kojimon.review.render")
NICE: Final = 10
MOST_BYTES: Final = 64 * 1024 * 1024
"""Of an answer; a review that stands alone holds its photos."""


class Question(Struct, frozen=True):
    """What is wanted.

    Attributes:
        journal: its path.
        batches: one for a review, several for a comparison.
        form: `page` (a part of a page) or `file` (stands alone).
        align: `spores` or `warming`, for a comparison.
        fahrenheit, pounds, zone: how the reader is spoken to.
    """

    journal: str
    batches: tuple[str, ...]
    form: str = "page"
    align: str = "spores"
    fahrenheit: bool = False
    pounds: bool = False
    zone: str = "UTC"


class Rendered(Struct, frozen=True):
    """What came of it. `trouble` says in words why nothing did; `usage` whether the question was at fault."""

    html: str = ""
    title: str = ""
    incubator: str = ""
    verdict: bool = False
    trouble: str = ""
    usage: bool = False


def rendered(question: Question, limit_s: float = LIMIT_S, command: Sequence[str] = COMMAND) -> Rendered:
    """Asks a child process. Raises UsageError and KojimonError in words."""
    child = Child("the review's process", command, limit_s, most_bytes=MOST_BYTES, nice=NICE)
    try:
        answer = msgspec.json.decode(child.ask(msgspec.json.encode(question) + b"\n"), type=Rendered)
    except (ChildError, msgspec.MsgspecError) as error:
        raise KojimonError(f"{error}. Try on kojimon's computer: kojimon review") from None
    finally:
        child.end()
    if answer.trouble:
        raise (UsageError if answer.usage else KojimonError)(answer.trouble)
    return answer


def render(question: Question) -> Rendered:
    """The review or comparison, made here and now. Raises KojimonError in words."""
    from kojimon.journal.reading.reader import Reader

    with closing(Reader(Path(question.journal))) as reader:
        return _rendered(reader, question)


def _rendered(reader: Reader, question: Question) -> Rendered:
    from kojimon.curve import Style
    from kojimon.journal.files.backup import photos_of
    from kojimon.review.counted import load_review
    from kojimon.review.draw.sheet import speech_of
    from kojimon.review.earlier import best_of, earlier_of
    from kojimon.review.tell import report

    reviews = [load_review(reader, name) for name in question.batches]
    one = reviews[0]
    speech = speech_of(one.case, question.fahrenheit, question.pounds, question.zone)
    style = Style(report.WIDTH_PX, 0.0, question.fahrenheit, question.zone)
    alone = question.form == "file"
    if len(reviews) > 1:
        found = report.compare_of(reviews, speech, style, question.align)
        html = report.compare_file(found) if alone else report.part("compare_body.html", found=found)
        return Rendered(html, found.title)
    image = report.embedded(photos_of(reader.path)) if alone else (lambda name: f"/photos/{name}")
    made = report.report_of(one, speech, style, earlier_of(reader, one.case.row), image, best_of(reader, one.case.row))
    html = report.review_file(made) if alone else report.part("review_body.html", report=made)
    return Rendered(html, made.title, one.case.row.incubator, bool(made.verdict))


def main() -> int:
    """Answers the question on standard input."""
    begin()
    question = msgspec.json.decode(sys.stdin.buffer.readline(), type=Question)
    try:
        answer = render(question)
    except KojimonError as error:
        answer = Rendered(trouble=str(error), usage=error.exit_code == EXIT_USAGE)
    sys.stdout.buffer.write(msgspec.json.encode(answer) + b"\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
