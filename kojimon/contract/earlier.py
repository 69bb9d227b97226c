"""Names by which earlier versions kept things, and today's: what they wrote is read here, and nobody else knows.

Up to 0.1.0 a step of the schedule was a task: in acts, events, keys of alarms, settings and the engine's state. The
test from a probe was a bump; a step told by its window: closed, not missed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final

import msgspec

_WORDS: Final = {
    **{f"task{rest}": f"step{rest}" for rest in (".done", ".undo", ".correct", "-done", "-undone", "-corrected")},
    "unknown-task": "unknown-step",
    "alarm.bump": "alarm.probe_test", "bump-begin": "probe-test-begin", "bump-missed": "probe-test-missed",
    "window-open": "step-open", "window-due": "step-due", "window-closed": "step-missed",
}  # fmt: skip
_ONCE: Final = {today: earlier for earlier, today in _WORDS.items()}
_FIELDS: Final[dict[str, tuple[type, str]]] = {
    "task": (str, "step"), "tasks": (list, "steps"), "bump": (str, "probe_test"), "bumps": (dict, "probe_tests"),
}  # fmt: skip
"""Earlier name of a field, what stood in it, today's name."""
_KEY: Final = re.compile(r"(^|/)task/(?=[^/]+$)")
_DEADLINE: Final = re.compile(r"^bump/(?=\d+$)")
_MARKS: Final = ("task", "bump", "window-")
_MARKS_B: Final = tuple(mark.encode() for mark in _MARKS)


def word(text: str) -> str:
    """A kind of act or event, or an alarm's key or name (`box/step/mix`), by today's name."""
    return _WORDS.get(text) or _DEADLINE.sub("probe-test/", _KEY.sub(r"\1step/", text)) if holds(text) else text


def holds(kept: str | bytes) -> bool:
    """Whether there can be an earlier name in it: what has none is spared the walk."""
    return any(mark in kept for mark in _MARKS) if isinstance(kept, str) else any(one in kept for one in _MARKS_B)


def plain(value: Any) -> Any:
    """Plain data, as JSON or MessagePack has it, by today's names.

    A field is told from a name that somebody chose by what stands in it: `task` held a text, `tasks` a list, ...
    """
    if isinstance(value, dict):
        return {_field(name, one): plain(one) for name, one in value.items()}
    if isinstance(value, list):
        return [plain(one) for one in value]
    return word(value) if isinstance(value, str) else value


def json(text: str | bytes) -> str | bytes:
    """The same of JSON. Raises msgspec.DecodeError where it is none."""
    return msgspec.json.encode(plain(msgspec.json.decode(text))) if holds(text) else text


def _field(name: Any, value: Any) -> Any:
    if not isinstance(name, str):
        return name
    kind, today = _FIELDS.get(name, (object, ""))
    return today if today and isinstance(value, kind) else word(name)


def also_as(kinds: Iterable[str]) -> list[str]:
    """Kinds, and what they were called earlier: for a query of what is kept."""
    return [name for kind in kinds for name in (kind, _ONCE.get(kind)) if name]
