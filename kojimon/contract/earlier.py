"""Names by which earlier versions kept things, and today's: what they wrote is read here, and nobody else knows.

Up to 0.1.0 a step of the schedule was a task: in acts, events, keys of alarms, settings and the engine's state.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final

_WORDS: Final = {
    **{f"task{rest}": f"step{rest}" for rest in (".done", ".undo", ".correct", "-done", "-undone", "-corrected")},
    "unknown-task": "unknown-step",
}
_ONCE: Final = {today: earlier for earlier, today in _WORDS.items()}
_KEY: Final = re.compile(r"(^|/)task/(?=[^/]+$)")
MARK: Final = "task"
"""What does not hold this has no earlier name in it."""


def word(text: str) -> str:
    """A kind of act or event, or an alarm's key or name (`box/step/mix`), by today's name."""
    return _WORDS.get(text) or (_KEY.sub(r"\1step/", text) if MARK in text else text)


def plain(value: Any) -> Any:
    """Plain data, as JSON or MessagePack has it, by today's names.

    A field is told from a name that somebody chose by what stands in it: `task` held a text, `tasks` a list.
    """
    if isinstance(value, dict):
        return {_field(name, one): plain(one) for name, one in value.items()}
    if isinstance(value, list):
        return [plain(one) for one in value]
    return word(value) if isinstance(value, str) else value


def _field(name: Any, value: Any) -> Any:
    if (name == "task" and isinstance(value, str)) or (name == "tasks" and isinstance(value, list)):
        return "steps" if name == "tasks" else "step"
    return word(name) if isinstance(name, str) else name


def also_as(kinds: Iterable[str]) -> list[str]:
    """Kinds, and what they were called earlier: for a query of what is kept."""
    return [name for kind in kinds for name in (kind, _ONCE.get(kind)) if name]
