"""The small picture of the curve in a message, where service and computer can carry one.

What wakes goes out as text alone, at once; its picture follows in a message of its own over the lane of what is told.
What is told takes its picture along if that is made within a few seconds, and goes without it otherwise.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from msgspec.structs import asdict

from kojimon.contract.state import Document
from kojimon.model import Event
from kojimon.notify.asked import Request, Service, Wanted, Way

LIMIT_S: Final = 6.0
"""Real seconds what is told waits for its picture."""
CALL_H, TOLD_H = 8.0, 14.0
"""Hours shown after a call; with what is told, a night."""
WAITING_MOST: Final = 3
WHOLE: Final = ("batch-harvest", "batch-discard")
PROGRAMS: Final = ("json", "jsons", "form", "forms", "xml", "xmls")
"""Services that are read by programs: those ask for the readings themselves."""


# In the daemon: which picture.


def wanted(events: Sequence[Event], document: Document, journal: Path | None, urgent: bool) -> Wanted | None:
    """What is to be drawn for these events: the batch of the first that has one; None where none has."""
    event = next((event for event in events if event.batch), None)
    if event is None or journal is None:
        return None
    hours = None if event.kind in WHOLE else CALL_H if urgent else TOLD_H
    units = document.units
    return Wanted(str(journal), event.batch, hours, units.fahrenheit, units.pounds, document.now.zone)


class Following:
    """Pictures that follow calls which got out; any thread may add, the newest few are kept."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[str, Wanted, Way]] = deque(maxlen=WAITING_MOST)
        self._lock = threading.Lock()

    def add(self, key: str, picture: Wanted, channel: Way) -> None:
        """A call of that key got out over a channel."""
        with self._lock:
            self._waiting.append((key, picture, channel))

    def take(self) -> Request | None:
        """The sender's request for the oldest of them, all its channels together; None where nothing waits."""
        with self._lock:
            if not self._waiting:
                return None
            key, picture, _ = self._waiting[0]
            channels = tuple(channel for other, _, channel in self._waiting if other == key)
            left = [one for one in self._waiting if one[0] != key]
            self._waiting.clear()
            self._waiting.extend(left)
        body = "The curve for the alarm message before this. The alarm repeats until acknowledged."
        title = f"The last {CALL_H:.0f} hours"
        return Request("picture", channels, title, body, key, kind="told", picture=picture)


# In the sender: making it.


def made(picture: Wanted, limit_s: float = LIMIT_S) -> bytes:
    """The picture as PNG; empty where it cannot be made, or not in time."""
    found: list[bytes] = []

    def work() -> None:
        from kojimon.review.draw.picture import small_picture

        try:
            found.append(small_picture(**asdict(picture)))
        except Exception:  # whatever it is: the text goes out without
            found.append(b"")

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(limit_s)
    return found[0] if found else b""


def carries(channel: Way) -> bool:
    """Whether a channel can carry a picture, and may."""
    if not isinstance(channel, Service) or not channel.picture:
        return False
    if channel.url.partition("://")[0].lower() in PROGRAMS:
        return False
    import apprise

    found = apprise.Apprise.instantiate(channel.url)
    return bool(getattr(found, "attachment_support", False))
