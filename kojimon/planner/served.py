"""The calendar of an open batch made in a process of its own: laying it out takes longer than the daemon may.

One question a process, a line of JSON each way. `python -m kojimon.planner.served`.
"""

from __future__ import annotations

import sys
from datetime import datetime
from typing import Final

import msgspec
from msgspec import Struct

from kojimon.child import Child, ChildError, begin
from kojimon.errors import KojimonError
from kojimon.planner.calendar import advice_of, calendar
from kojimon.planner.kept_plan import root_of
from kojimon.planner.nights import Sleep
from kojimon.planner.rest import Begun, rest_of
from kojimon.planner.timetable import Plan

LIMIT_S: Final = 60.0
COMMAND: Final = (sys.executable, "-m", "kojimon.planner.served")
NICE: Final = 10


class Question(Struct, frozen=True):
    """Which batch (`batch`: its id), of which site, kind of box and cover; without one, a calendar without entries."""

    made: datetime
    sleep: Sleep
    site: str
    kind: str = "unknown"
    cover: str = "unknown"
    batch: str = ""
    begun: Begun | None = None


def served(question: Question) -> str:
    """Asks a child process. Raises KojimonError in words."""
    child = Child("the calendar's process", COMMAND, LIMIT_S, nice=NICE)
    try:
        answer: str = msgspec.json.decode(child.ask(msgspec.json.encode(question) + b"\n"), type=str)
    except (ChildError, msgspec.MsgspecError) as error:
        raise KojimonError(f"{error}. Try on kojimon's computer: kojimon plan --batch --calendar koji.ics") from None
    finally:
        child.end()
    return answer


def calendar_of(question: Question) -> str:
    """The calendar, made here and now."""
    begun, sleep = question.begun, question.sleep
    plan, done, root, advice = Plan(question.made, (), 0.0), dict[str, int](), "", dict[str, str]()
    if begun is not None:
        plan, _ = rest_of(begun, sleep)
        done, root = begun.done, root_of(begun.note) or question.batch
        advice = advice_of(begun.schedule, question.kind, question.cover)
    return calendar(plan, question.site, question.made, sleep, advice, root, done).decode()


def main() -> int:
    """Answers the question on standard input."""
    begin()
    question = msgspec.json.decode(sys.stdin.buffer.readline(), type=Question)
    sys.stdout.buffer.write(msgspec.json.encode(calendar_of(question)) + b"\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
