"""Token, cookies, codes that are good once, and the counting of guesses. Nothing in here is ever logged."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import deque
from typing import Final

from kojimon.clock import real_s

CODE_LASTS_S: Final = 600.0
CODES_MOST: Final = 8
COOKIE_LASTS_S: Final = 60 * 86_400
GUESSES_MOST: Final = 5
"""Wrong guesses an address may make within GUESS_WINDOW_S."""
GUESSES_IN_ALL: Final = 30
GUESS_WINDOW_S: Final = 300.0
ADDRESSES_MOST: Final = 1_000


class TooMany(Exception):
    """Too many wrong guesses; try later."""


class Keys:
    """What opens the TCP door.

    A cookie is signed with the token, so it outlives a restart of the daemon, and a new token makes all cookies
    worthless. Its end is the browser's business: this machine's clock may be years off, and nobody must be locked out
    of an alarm by that.

    Args:
        token: from the settings; "" for none.
        shut: why the token there should be cannot be read, in words; then nothing opens. "" where all is well.
    """

    def __init__(self, token: str, shut: str = "") -> None:
        self._token, self.shut = token, shut
        self._key = hashlib.sha256(b"kojimon cookie\0" + token.encode()).digest()
        self._codes: dict[bytes, float] = {}
        self._wrong: dict[str, deque[float]] = {}
        self._wrong_in_all: deque[float] = deque(maxlen=GUESSES_IN_ALL)

    @property
    def wanted(self) -> bool:
        """Whether one must be known."""
        return bool(self._token) or bool(self.shut)

    def is_token(self, text: str) -> bool:
        """Whether that is the token."""
        return bool(self._token) and hmac.compare_digest(text.encode(), self._token.encode())

    # Codes.

    def new_code(self) -> str:
        """A code that is good once, for ten minutes."""
        now = real_s()
        self._codes = {code: until for code, until in self._codes.items() if until > now}
        while len(self._codes) >= CODES_MOST:
            del self._codes[min(self._codes, key=lambda code: self._codes[code])]
        code = secrets.token_urlsafe(16)
        self._codes[_digest(code)] = now + CODE_LASTS_S
        return code

    def _is_code(self, text: str) -> bool:
        until = self._codes.pop(_digest(text), None)
        return until is not None and until > real_s() and not self.shut

    # Cookies.

    def enter(self, text: str, address: str) -> str:
        """A cookie for who gives the token or a code; "" when it is neither. Raises TooMany after too many of these."""
        self._count(address)
        if self.is_token(text) or self._is_code(text):
            self._wrong.pop(address, None)
            return self._cookie()
        now = real_s()
        if len(self._wrong) >= ADDRESSES_MOST and address not in self._wrong:
            del self._wrong[next(iter(self._wrong))]
        self._wrong.setdefault(address, deque(maxlen=GUESSES_MOST)).append(now)
        self._wrong_in_all.append(now)
        return ""

    def _count(self, address: str) -> None:
        since = real_s() - GUESS_WINDOW_S
        own = self._wrong.get(address, ())
        if sum(at > since for at in own) >= GUESSES_MOST:
            raise TooMany
        if sum(at > since for at in self._wrong_in_all) >= GUESSES_IN_ALL:
            raise TooMany

    def _cookie(self) -> str:
        plain = f"1.{secrets.token_urlsafe(12)}"
        return f"{plain}.{self._signature(plain)}"

    def is_cookie(self, text: str) -> bool:
        """Whether that is a cookie of ours, made with the present token."""
        plain, _, signature = text.rpartition(".")
        own = bool(self._token) and plain.startswith("1.")
        return own and hmac.compare_digest(signature.encode(), self._signature(plain).encode())

    def _signature(self, plain: str) -> str:
        return hmac.new(self._key, plain.encode(), hashlib.sha256).hexdigest()


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
