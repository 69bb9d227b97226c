"""Errors that tell a person what, where, what was found, what is wanted and what to do next.

Exit codes of every command: 0 done, 1 could not be done now, 2 wrong usage or configuration.
"""

from __future__ import annotations

from dataclasses import dataclass

EXIT_DONE = 0
EXIT_NOT_NOW = 1
EXIT_USAGE = 2


class KojimonError(Exception):
    """Something could not be done now. The text is a whole sentence for a person."""

    exit_code = EXIT_NOT_NOW


class UsageError(KojimonError):
    """The call or a value in it is wrong; trying again without a change will not help."""

    exit_code = EXIT_USAGE


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One thing wrong in a file: where it stands, what was found, what is wanted.

    Attributes:
        file: the file as the person named it.
        line: line number from 1; 0 when the file as a whole is meant.
        path: dotted path of the key, as in `incubators[0].schedule`.
        found: what stands there, in words.
        wanted: what should stand there, or what to do.
    """

    file: str
    line: int
    path: str
    found: str
    wanted: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        path = f" {self.path}:" if self.path else ""
        return f"{where}:{path} {self.found}, {self.wanted}"


class ConfigurationError(UsageError):
    """A file was refused whole. Carries every fault found, in the order of the file."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = sorted(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class JournalError(KojimonError):
    """The journal cannot be opened, read or written."""


class NotRunningError(KojimonError):
    """No daemon answers for this journal."""


class RefusedError(KojimonError):
    """The daemon understood an act and refuses it; the text says why and what to do instead."""


class LinkError(KojimonError):
    """A port, bus, broker or file gave way. The text says which, what happened and what to look at."""
