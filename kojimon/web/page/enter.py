"""The door for people: a code that is good once, or the token, for a cookie."""

from __future__ import annotations

from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from kojimon.errors import UsageError
from kojimon.web.http.access import COOKIE, cookie_of, is_local
from kojimon.web.http.door import address_of
from kojimon.web.http.keys import COOKIE_LASTS_S, GUESS_WINDOW_S, Keys, TooMany
from kojimon.web.page.forms import fields_of
from kojimon.web.page.shown import render
from kojimon.web.page.viewer import cookie

NO_STORE = {"Cache-Control": "no-store"}
WRONG = "That is neither a valid code nor the token. For a new code run on kojimon's computer: kojimon page"
SHUT = "Nobody can sign in now: the page's token cannot be used. To see why, run on kojimon's computer: kojimon page"


def routes(keys: Keys, addresses: Callable[[], list[str]]) -> list[Route]:
    """Addresses of the door. Codes are made over the local socket only."""

    async def ask(request: Request) -> Response:
        return await run_in_threadpool(_form, SHUT if keys.shut else "", 200)

    async def enter(request: Request) -> Response:
        if keys.shut:
            return await run_in_threadpool(_form, SHUT, 503)
        try:
            code = fields_of(await request.body()).get("code", "").strip()
            made = keys.enter(code, address_of(request.scope.get("client")))
        except TooMany:
            minutes = round(GUESS_WINDOW_S / 60)
            wait = {"Retry-After": str(round(GUESS_WINDOW_S))}
            return await run_in_threadpool(_form, f"Too many wrong codes. Wait {minutes} minutes.", 429, wait)
        except UsageError as error:
            return await run_in_threadpool(_form, str(error), 400)
        if not made:
            return await run_in_threadpool(_form, WRONG, 403)
        response = RedirectResponse("/", 303, NO_STORE)
        response.headers["set-cookie"] = cookie(COOKIE, made, COOKIE_LASTS_S, request.url.scheme == "https")
        return response

    async def leave(request: Request) -> Response:
        await run_in_threadpool(keys.leave, cookie_of(request.headers.get("cookie", "")))
        response = RedirectResponse("/enter", 303, NO_STORE)
        response.headers["set-cookie"] = cookie(COOKIE, "", 0, request.url.scheme == "https")
        return response

    async def code(request: Request) -> Response:
        if not is_local(request.scope):
            return JSONResponse({"error": "codes are made on kojimon's computer: kojimon page", "wanted": ""}, 403)
        made = keys.new_code() if keys.wanted and not keys.shut else ""
        return JSONResponse({"addresses": addresses(), "code": made, "shut": keys.shut}, headers=NO_STORE)

    return [
        Route("/enter", ask, methods=["GET"]),
        Route("/enter", enter, methods=["POST"]),
        Route("/leave", leave, methods=["POST"]),
        Route("/v1/page", code, methods=["POST"]),
    ]


def _form(wrong: str, status: int, headers: dict[str, str] | None = None) -> Response:
    return HTMLResponse(render("enter.html", wrong=wrong), status, {**NO_STORE, **(headers or {})})
