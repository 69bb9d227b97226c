"""The daemon's part that mirrors the journal to a time-series server, where the settings name one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from kojimon.daemon.house import House
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event
from kojimon.settings.secrets import read_secret
from kojimon.words import events as words
from kojimon.words.speech import Speech
from kojimon.words.status import speech_of

if TYPE_CHECKING:
    from kojimon.mirror.sender import Mirror


def mirror_of(house: House) -> Mirror | None:
    """The mirror of a house; None without one in its settings."""
    settings = house.settings.mirror
    if settings is None:
        return None
    from kojimon.mirror.sender import Mirror

    secret = settings.token
    return Mirror(
        settings,
        (lambda: read_secret(secret)) if secret is not None else (lambda: ""),
        house.settings.site,
        lambda: Reader(house.path),
        house.writer,
        house.core.health,
        say=lambda events: as_lines(events, speech_of(house.state())),
    )


def as_lines(events: Sequence[Event], speech: Speech) -> list[str]:
    """Events as lines on a curve; "" for what is bookkeeping only."""
    lines = [words.line(event, speech) for event in events]
    return [line.text if line is not None else "" for line in lines]
