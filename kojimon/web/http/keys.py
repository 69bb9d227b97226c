"""Token, cookies, codes that are good once, and the counting of guesses. Nothing in here is ever logged."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from pathlib import Path
from typing import Final

from kojimon import logs
from kojimon.clock import real_s

CODE_LASTS_S: Final = 600.0
CODES_MOST: Final = 8
COOKIE_LASTS_S: Final = 60 * 86_400
GUESSES_MOST: Final = 5
"""Wrong guesses an address may make within GUESS_WINDOW_S."""
GUESS_WINDOW_S: Final = 300.0
ADDRESSES_MOST: Final = 1_000
LEFT_MOST: Final = 2_000
"""Sessions that are over and still remembered; a browser forgets its cookie after COOKIE_LASTS_S."""
_LOG = logs.get("web")


class TooMany(Exception):
    """Too many wrong guesses from one address; try later."""


class Keys:
    """What opens the TCP door.

    A cookie is signed with the token, so it outlives a restart of the daemon, and a new token makes all cookies
    worthless. Its end is the browser's business: this machine's clock may be years off, and nobody must be locked out
    of an alarm by that.

    Args:
        token: from the settings; "" for none.
        shut: why the token there should be cannot be used, in words; then nothing opens. "" where all is well.
        left: the file of those who have left, a digest a line; None keeps them in memory.
    """

    def __init__(self, token: str, shut: str = "", left: Path | None = None) -> None:
        self._token, self.shut, self._left = token, shut, left
        self._key = hashlib.sha256(b"kojimon cookie\0" + token.encode()).digest()
        self._codes: dict[bytes, float] = {}
        self._wrong: dict[str, dict[bytes, float]] = {}
        self._gone: dict[str, None] = dict.fromkeys(_lines(left)[-LEFT_MOST:])

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

    # Guesses.

    def takes(self, token: str, address: str) -> bool:
        """Whether that is the token. Raises TooMany after too many others from that address, even for the right one.

        The same wrong one again is no further guess: a program with an old token locks out nobody beside it.
        """
        since = real_s() - GUESS_WINDOW_S
        made, wrong = _digest(token), self._wrong.get(address, {})
        fresh = {guess: at for guess, at in wrong.items() if at > since}
        if len(fresh) >= GUESSES_MOST:
            raise TooMany
        if self.is_token(token):
            self._wrong.pop(address, None)
            return True
        if address not in self._wrong and len(self._wrong) >= ADDRESSES_MOST:
            del self._wrong[next(iter(self._wrong))]
        self._wrong[address] = {made: real_s(), **fresh}
        return False

    # Cookies.

    def enter(self, text: str, address: str) -> str:
        """A cookie for who gives a code or the token; "" when it is neither. Raises TooMany as `takes` does.

        A code is 128 bits of chance and good once: it lets in whatever was guessed before.
        """
        return self._cookie() if self._is_code(text) or self.takes(text, address) else ""

    def leave(self, cookie: str) -> None:
        """A cookie of ours is worth nothing from now on, here and after a restart."""
        if not self.is_cookie(cookie):
            return
        plain = _digest(cookie.rpartition(".")[0]).hex()
        self._gone[plain] = None
        while len(self._gone) > LEFT_MOST:
            del self._gone[next(iter(self._gone))]
        if self._left is not None:
            try:
                with os.fdopen(os.open(self._left, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), "w") as file:
                    file.write(f"{plain}\n")
                    file.flush()
                    os.fsync(file.fileno())
            except OSError as error:
                _LOG.warning("%s: a session has ended, and that cannot be kept over a restart: %s", self._left, error)

    def _cookie(self) -> str:
        plain = f"1.{secrets.token_urlsafe(12)}"
        return f"{plain}.{self._signature(plain)}"

    def is_cookie(self, text: str) -> bool:
        """Whether that is a cookie of ours, made with the present token."""
        plain, _, signature = text.rpartition(".")
        own = bool(self._token) and plain.startswith("1.")
        good = own and hmac.compare_digest(signature.encode(), self._signature(plain).encode())
        return good and _digest(plain).hex() not in self._gone

    def _signature(self, plain: str) -> str:
        return hmac.new(self._key, plain.encode(), hashlib.sha256).hexdigest()


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()


def _lines(file: Path | None) -> list[str]:
    try:
        return [] if file is None else file.read_text(encoding="ascii", errors="replace").split()
    except OSError:
        return []
