"""What the daemon asks of the sender's process and what that answers: a record a line, as JSON."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct


class Command(Struct, frozen=True, tag_field="kind", tag="command"):
    """A program that gets the message on its standard input."""

    name: str
    run: tuple[str, ...]
    limit_s: float


class Service(Struct, frozen=True, tag_field="kind", tag="service"):
    """An address that apprise knows."""

    name: str
    url: str
    picture: bool = False


class Sound(Struct, frozen=True, tag_field="kind", tag="speaker"):
    """The loudspeaker: who plays, and how loud at most, 0 to 1."""

    name: str
    player: str
    loudest: float


Way = Command | Service | Sound


class Wanted(Struct, frozen=True):
    """What is to be drawn: a batch of a journal, its last hours or the whole."""

    journal: str
    batch: str
    last_h: float | None
    fahrenheit: bool
    pounds: bool
    zone: str


class Request(Struct, frozen=True):
    """A message over some channels; `picture`: only what follows a call, for the channels that can carry it."""

    do: Literal["send", "picture", "warm", "stop"]
    channels: tuple[Way, ...] = ()
    title: str = ""
    body: str = ""
    key: str = ""
    kind: str = ""
    urgent: bool = False
    round: int = 0
    picture: Wanted | None = None
    no: int = 0


class Answer(Struct, frozen=True):
    """How one channel fared, "" for well; or that the whole is done."""

    no: int
    channel: str = ""
    wrong: str = ""
    done: bool = False
