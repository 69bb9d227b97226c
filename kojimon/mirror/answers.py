"""What a server's answer means for what was sent. Pure.

An error answer may mean that most of it was stored: servers differ, so nothing is concluded from the text but what
keeps sending again harmless. 204 alone moves the cursor.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Final, NamedTuple

NO_SECRET: Final = -1
"""Status of a request that could not be made: the token is not where the settings say. The text says why."""


class Meaning(StrEnum):
    """How the mirror goes on."""

    STORED = "stored"
    OUTAGE = "outage"
    """No answer, or one that passes: keep the rows, try again later and later."""
    FAULT = "fault"
    """Token, bucket, organisation or address: keep the rows, tell the person, look again every few minutes."""
    TOO_LARGE = "too large"
    """Send less at once."""
    EXPIRED = "expired"
    """Older than the bucket keeps: find from where on it takes rows, go on there."""
    POISON = "poison"
    """Something in it is refused for good: find the line, set it aside, go on."""


class Answer(NamedTuple):
    """What came back: HTTP status (0: none came), the server's text, seconds it asks to wait (0: not said)."""

    status: int
    text: str
    retry_after_s: float = 0.0


_LINE_REFUSED = re.compile(r"partial write|field type conflict|unable to parse", re.IGNORECASE)
_RETENTION = re.compile(r"retention", re.IGNORECASE)


def meaning(answer: Answer) -> Meaning:
    """Sorts an answer."""
    status = answer.status
    if status in (200, 204):
        return Meaning.STORED
    if status == 413:
        return Meaning.TOO_LARGE
    if status in (400, 422, 500) and _RETENTION.search(answer.text):
        return Meaning.EXPIRED
    if status in (400, 422) or (status == 500 and _LINE_REFUSED.search(answer.text)):
        return Meaning.POISON
    if status in {0, 408, 429} or status >= 500:
        return Meaning.OUTAGE
    return Meaning.FAULT


def advice(answer: Answer) -> str:
    """What a person should look at, in one sentence."""
    said = f" ({answer.text[:120]})" if answer.text else ""
    if answer.status == NO_SECRET:
        return f"the mirror has no token: {answer.text}"
    if answer.status == 0:
        return f"the copy server does not answer{said}; rows are saved and sent later"
    if answer.status == 401:
        return f"the mirror's server refuses the token{said}; check mirror.token"
    if answer.status == 403:
        return f"the mirror's token may not write to this bucket{said}; give it that right"
    if answer.status == 404:
        return f"the mirror's server knows no such bucket, organisation or address{said}; check the mirror settings"
    return f"the copy server answered {answer.status}{said}; rows are saved and sent later"
