"""Who may come in by the TCP door, and what may be done there. The local socket is guarded by file permission alone.

* Host: only the addresses of the door itself and the names from the settings; a foreign name that points here (DNS
  rebinding) is turned away.
* Origin: what changes something must come from a page of ours; a foreign page's form or script is turned away.
* Token: set in the settings, it is wanted for looking and for acting, or with `look: free` for acting alone. Without
  one the loopback door is open, and a door to the network lets people look and nobody act.
* A browser gives the token, or a code good once, in a form; it gets a signed cookie (HttpOnly, SameSite=Strict).
  Programs send `Authorization: Bearer TOKEN`; a phone's calendar, which can only be told a name and a password, sends
  the token as that password, and is let in to calendars with it and nowhere else. None ever stands in an address.
* Guesses are counted by address, wherever a token is taken; a cookie or a code of ours is let in all the same, so
  that nobody is locked out by the guesses of others. What a token must be is said in `settings.secrets`.
"""

from __future__ import annotations

import socket
from base64 import b64decode
from collections.abc import Iterable
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kojimon import logs
from kojimon.errors import UsageError
from kojimon.settings.secrets import read_secret, token_fault
from kojimon.settings.spec import WebSettings
from kojimon.web.http.door import address_of, is_loopback
from kojimon.web.http.keys import GUESS_WINDOW_S, Keys, TooMany

COOKIE: Final = "kojimon"
OPEN_PATHS: Final = ("/enter", "/static/")
"""What everybody may see: the door itself and its looks."""
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data: blob:; "
    "manifest-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = (
    (b"x-content-type-options", b"nosniff"),
    # Not no-referrer: with that a browser sends `Origin: null` with our own forms (Fetch, "append a request Origin").
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(self), geolocation=(), microphone=()"),
    (b"x-frame-options", b"DENY"),
)
TOO_MANY: Final = f"too many wrong ones from this address: wait {round(GUESS_WINDOW_S / 60)} minutes"
_LOG = logs.get("web")


class Turned(Exception):
    """A request that is turned away: status and words; header names with underscores."""

    def __init__(self, status: int, text: str, **headers: str) -> None:
        super().__init__(text)
        self.status, self.text, self.headers = status, text, headers


class Access:
    """The application behind the checks of the door each request came in by.

    Args:
        app: what lies behind.
        web: settings of the TCP door.
        keys: token, cookies and codes.
    """

    def __init__(self, app: ASGIApp, web: WebSettings, keys: Keys) -> None:
        self._app, self._web, self._keys = app, web, keys
        self._loopback = is_loopback(web.host)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or is_local(scope):
            await self._app(scope, receive, send)
            return
        guarded = _with_headers(send)
        try:
            self._check(scope)
        except Turned as turned:
            await turn_away(turned, scope, guarded)
            return
        await self._app(scope, receive, guarded)

    def _check(self, scope: Scope) -> None:
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        method, path = str(scope["method"]), str(scope["path"])
        self._check_host(headers.get("host", ""), scope)
        known = self._known(headers, scope)
        scope["kojimon.known"] = known
        if self._keys.wanted and not self._web.look_free:
            scope["kojimon.still"] = lambda: self._known(headers, scope)
        scope["kojimon.only_looks"] = self._keys.wanted and not known
        if method == "POST":
            _check_origin(headers, bearer=_bearer(headers) != "")
            if path != "/enter" and not (path == "/prefs" and self._web.look_free):
                self._check_act(known)
        elif not known and self._keys.wanted and not self._web.look_free and not path.startswith(OPEN_PATHS):
            raise Turned(401, "this page wants to know you first")

    def _check_host(self, host: str, scope: Scope) -> None:
        name = host_name(host)
        own = str(scope["server"][0])
        allowed = {*(entry.lower() for entry in self._web.allowed_hosts), own.lower()}
        if is_loopback(own):
            allowed |= {"localhost", "127.0.0.1", "::1"}
        if name not in allowed:
            raise Turned(
                400, f"{host!r} is no name of this page; add it to web.hosts in the settings if it should be one"
            )

    def _known(self, headers: dict[str, str], scope: Scope) -> bool:
        bearer = _bearer(headers) or (_password(headers) if is_calendar(scope) else "")
        if bearer and self._keys.wanted:
            try:
                return self._keys.takes(bearer, address_of(scope.get("client")))
            except TooMany:
                raise Turned(429, TOO_MANY, Retry_After=str(round(GUESS_WINDOW_S))) from None
        return self._keys.is_cookie(cookie_of(headers.get("cookie", "")))

    def _check_act(self, known: bool) -> None:
        if self._keys.wanted:
            if not known:
                raise Turned(401, "this page wants to know you first")
        elif not self._loopback:
            raise Turned(403, "nobody can act from the network without a token; set web.token in the settings")


def keys_of(web: WebSettings, left: Path | None = None) -> Keys:
    """Token, cookies and codes for these settings. A token that cannot be read, or is easily guessed where the network
    can try, shuts the door instead of opening it.

    Args:
        left: the file that keeps who has left (`Keys`).
    """
    if web.token is None:
        return Keys("")
    try:
        token = read_secret(web.token)
        fault = "" if is_loopback(web.host) else token_fault(token)
        if fault:
            raise UsageError(fault)
        return Keys(token, left=left)
    except UsageError as error:
        _LOG.error("web.token: %s Until then nobody gets in from the network.", error)
        return Keys("", shut=str(error))


def is_local(scope: Scope) -> bool:
    """Whether a request came over the local socket: it has no port."""
    server = scope.get("server")
    return server is None or server[1] is None


def host_name(host: str) -> str:
    """The name in a Host header: without port and brackets, in small letters; "" where it is none."""
    try:
        parts = urlsplit(f"//{host}")
        port = parts.port
    except ValueError:
        return ""
    plain = parts.username is None and not parts.path and not parts.query and (port is None or port > 0)
    return (parts.hostname or "").lower().rstrip(".") if plain else ""


def cookie_of(header: str, name: str = COOKIE) -> str:
    """The value of a cookie; "" where there is none."""
    for part in header.split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            return value
    return ""


def _bearer(headers: dict[str, str]) -> str:
    scheme, _, value = headers.get("authorization", "").partition(" ")
    return value.strip() if scheme.lower() == "bearer" else ""


def _password(headers: dict[str, str]) -> str:
    """What a calendar gives as its password (RFC 7617), whatever the name."""
    scheme, _, value = headers.get("authorization", "").partition(" ")
    if scheme.lower() != "basic":
        return ""
    try:
        return b64decode(value.strip(), validate=True).decode().partition(":")[2]
    except ValueError:
        return ""


def is_calendar(scope: Scope) -> bool:
    """Whether a calendar is asked for, and nothing else."""
    return scope["method"] in ("GET", "HEAD") and str(scope["path"]).startswith("/calendar/")


NO_ORIGIN: Final = (
    "a token is expected, as the header Authorization: Bearer TOKEN (kojimon page shows it); where none is asked for, "
    "Content-Type: application/json"
)


def _check_origin(headers: dict[str, str], bearer: bool) -> None:
    """Browsers say where a POST comes from. A program need not: with a token, or where none is wanted, as JSON."""
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        raise Turned(403, "that came from another page")
    if origin is not None:
        parts = urlsplit(origin) if origin.startswith(("http://", "https://")) else None
        if parts is None or parts.netloc.lower() != headers.get("host", "").lower():
            raise Turned(403, "that came from another page")
        return
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    program = bearer or (kind == "application/json" and "cookie" not in headers)
    if site is None and not program:
        raise Turned(403, NO_ORIGIN)


def _with_headers(send: Send) -> Send:
    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", ()))
            names = {name.lower() for name, _ in headers}
            if b"content-security-policy" not in names:
                headers.append((b"content-security-policy", POLICY.encode()))
            headers += [pair for pair in HEADERS if pair[0] not in names]
            message["headers"] = headers
        await send(message)

    return guarded


async def turn_away(turned: Turned, scope: Scope, send: Send) -> None:
    """An answer in words; people without a token are led to the door instead."""
    wants_page = any(name == b"accept" and b"text/html" in value for name, value in scope["headers"])
    headers = [(name.lower().replace("_", "-").encode(), value.encode()) for name, value in turned.headers.items()]
    headers.append((b"cache-control", b"no-store"))
    if turned.status == 401 and wants_page and not is_calendar(scope):
        status, body, kind = 303, b"", b"text/plain; charset=utf-8"
        headers.append((b"location", b"/enter"))
    else:
        import msgspec

        status, kind = turned.status, b"application/json"
        body = msgspec.json.encode({"error": turned.text, "wanted": "", "exit": 1})
        if status == 401:
            scheme = b'Basic realm="kojimon", charset="UTF-8"' if is_calendar(scope) else b"Bearer"
            headers.append((b"www-authenticate", scheme))
    headers += [(b"content-type", kind), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def addresses(web: WebSettings, ports: Iterable[int]) -> list[str]:
    """Where people find the page: by the names of the settings, else by the door's own address."""
    names = list(web.allowed_hosts) or [_outward(web.host)]
    shown = [f"[{name}]" if ":" in name else name for name in names]
    return [f"http://{name}:{port}/" for port in ports for name in shown]


def _outward(host: str) -> str:
    """Where a door that listens on every address is found from outside: a phone cannot open 0.0.0.0.

    The address by which this machine would reach others; nothing is sent to find out. Loopback without a network.
    """
    if host not in ("0.0.0.0", "::"):
        return host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # for documentation only (RFC 5737)
            return str(asked.getsockname()[0])
        except OSError:
            return "127.0.0.1"
