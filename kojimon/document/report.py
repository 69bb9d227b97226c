"""Collects what is wrong in one file, so that everything is told at once."""

from __future__ import annotations

from typing import Final

from kojimon.document.tree import shown
from kojimon.errors import Fault

MOST_FAULTS: Final = 200
"""More are counted, not told: nobody reads them, and a hostile file shall not cost memory."""
_SUGGEST_BELOW: Final = 50


class Report:
    """The faults of one file, and the lines of its keys.

    Two kinds of fault are kept apart: of *form*, which a JSON Schema can state as well, and the others (a name that
    stands for nothing, a value out of range, two things that do not go together).

    Args:
        file: the file as the person named it.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self.form_faults = 0
        self.untold = 0
        self.lines: dict[str, int] = {}

    def form(self, line: int, path: str, what: str, wanted: str) -> None:
        """Something has not the form that the description of the file asks for."""
        self.form_faults += 1
        self.fault(line, path, what, wanted)

    def fault(self, line: int, path: str, what: str, wanted: str) -> None:
        """Something has the right form and is wrong all the same."""
        if len(self.faults) >= MOST_FAULTS:
            self.untold += 1
            return
        self.faults.append(Fault(self.file, line, path, what, wanted))

    def at(self, path: str, what: str, wanted: str) -> None:
        """A fault at the line where the key of that path stands, or the nearest one above it."""
        self.fault(self.line(path), path, what, wanted)

    def line(self, path: str) -> int:
        """Line of the key of a path; of the nearest key above it where that one is absent; 0 for the whole file."""
        while path and path not in self.lines:
            path = path.rpartition("[" if path.endswith("]") else ".")[0]
        return self.lines.get(path, 0)

    def all(self) -> list[Fault]:
        """Every fault told, and a last line for those that are not."""
        if not self.untold:
            return self.faults
        more = Fault(self.file, 0, "", f"found {self.untold} more faults", "expected the ones above mended first")
        return [*self.faults, more]

    def did_you_mean(self, text: str, known: list[str]) -> str:
        """` (did you mean `rice`?)`, or "" where nothing is close or there are too many faults to care."""
        close = self.closest(text, known)
        return f" (did you mean `{close}`?)" if close else ""

    def closest(self, text: str, known: list[str], least: float = 0.6) -> str:
        """The known word closest to a text, or "" where none is so close (1: the same)."""
        if len(self.faults) >= _SUGGEST_BELOW or len(text) > 60:
            return ""
        from difflib import get_close_matches  # only where something is wrong

        return next(iter(get_close_matches(text.lower(), known, n=1, cutoff=least)), "")


def join(path: str, key: str) -> str:
    """The dotted path of a key below a path."""
    return f"{path}.{shown(key)}" if path else shown(key)


def one_of(words: list[str]) -> str:
    """`a`, `b` or `c`."""
    quoted = [f"`{word}`" for word in words]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)
