"""The lines of a running daemon go on after one that cannot be told."""

from __future__ import annotations

import threading
from types import SimpleNamespace
from typing import Any, cast

from kojimon.cli.commands.telling import Telling
from kojimon.errors import JournalError
from kojimon.words.speech import Speech


def unreadable() -> Any:
    raise JournalError("the journal cannot be read: disk I/O error")


def test_a_journal_that_cannot_be_read_ends_no_telling() -> None:
    """As when a copy was renamed over it: the first line, of what was missed, is read from the journal."""
    told = threading.Event()
    telling = Telling(Speech())
    house = SimpleNamespace(reader=lambda: SimpleNamespace(events=lambda _since: unreadable()), utc_of=unreadable,
                            core=SimpleNamespace(listen=lambda _listener: None))  # fmt: skip
    telling.attach(cast("Any", SimpleNamespace(house=house)))
    telling.call(told.set)
    assert told.wait(30)
    telling.end()
