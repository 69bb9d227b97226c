"""Who looks at the page, and how they want it said: unit, zone and name from their cookies, else from the settings."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from typing import Final
from urllib.parse import quote, unquote
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract.state import Document
from kojimon.web.api.curves import Units
from kojimon.web.http.access import cookie_of
from kojimon.words import status as words
from kojimon.words.speech import Speech

YEAR_S: Final = 31_536_000
NAME_MOST: Final = 40


class Viewer(Struct, frozen=True):
    """A person in front of a browser."""

    fahrenheit: bool
    pounds: bool
    zone: str
    who: str

    def speech(self, document: Document) -> Speech:
        """How to speak to them about a state document."""
        return replace(words.speech_of(document), fahrenheit=self.fahrenheit, pounds=self.pounds, zone=self.zone)

    def units(self) -> Units:
        """Their units and zone, for a curve."""
        return Units(self.fahrenheit, self.pounds, self.zone)


def viewer_of(cookies: str, document: Document) -> Viewer:
    """The viewer by their Cookie header; what it does not say, or says wrong, is as the settings have it."""
    unit = cookie_of(cookies, "unit")
    zone = zone_or(unquote(cookie_of(cookies, "zone")), document.now.zone)
    fahrenheit = {"F": True, "C": False}.get(unit, document.units.fahrenheit)
    who = name_of(unquote(cookie_of(cookies, "who"))) or "page"
    return Viewer(fahrenheit, document.units.pounds, zone, who)


def zone_or(name: str, default: str) -> str:
    """The zone of that name where there is one, else the default."""
    if not name or len(name) > 64:
        return default
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return default
    return name


def name_of(text: str) -> str:
    """A person's name as it may stand in the journal: one line, not too long."""
    return "".join(char for char in text if char.isprintable()).strip()[:NAME_MOST]


def preference_cookies(fields: Mapping[str, str], usual: str, secure: bool) -> list[str]:
    """Set-Cookie headers for what a viewer wants kept.

    Args:
        usual: the zone of the settings; who wants that one follows the settings.
    """
    zone = zone_or(fields.get("zone", "").strip(), usual)
    chosen = {"zone": "" if zone == usual else zone, "who": name_of(fields.get("who", ""))}
    if fields.get("unit") in ("C", "F"):
        chosen["unit"] = fields["unit"]
    return [
        cookie(name, quote(value, safe=""), YEAR_S if value else 0, secure, http_only=False)
        for name, value in chosen.items()
    ]


def cookie(name: str, value: str, lasts_s: int, secure: bool, http_only: bool = True) -> str:
    """A Set-Cookie header that only our own pages get back."""
    ends = "; HttpOnly" if http_only else ""
    return f"{name}={value}; Path=/; Max-Age={lasts_s}; SameSite=Strict{ends}{'; Secure' if secure else ''}"


def fresh_key() -> str:
    """A key that makes one form one act."""
    return secrets.token_hex(16)
