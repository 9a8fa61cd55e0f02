"""Behind the door: what all served pages share: the address, the code, styles and scripts, refusals.

Every reply carries the policy below: scripts, styles and pictures from here only, no frame around the page, no
referrer (the address holds a token), nothing kept by the browser.
"""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from wakeboard.harness.page.door import TRIES, Door

HERE = Path(__file__).parent
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}
FILES = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "photo.js": "text/javascript; charset=utf-8",
    "hands.js": "text/javascript; charset=utf-8",
}
KEPT = 12 * 3600  # s that a browser keeps the session, closed or not; it ends with the program that serves it
NO_PAGE = "no page is open any more; the run goes on, and this opens it again, also in the browser that had it:"
AGAIN = 5.0  # s between two tellings of the address to those who knock in vain
MOST_BODY = 2**14  # bytes

Handler = Callable[[Request], Awaitable[Response]]
Press = Callable[[Mapping[str, object]], None]


def application(routes: list[Route]) -> Starlette:
    """The application; no debug mode, so that no path of this computer is ever shown."""
    return Starlette(routes=routes, exception_handlers={HTTPException: _plain_error, Exception: _broken})


class Entrance:
    """The handlers of the door, and what those behind it need."""

    live = False  # whether a run is at the other end

    def __init__(self, door: Door, press: Press) -> None:
        self.door = door
        self.press = press
        self._told_at = -AGAIN
        self.templates = Environment(
            loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
            lstrip_blocks=True,
        )  # fmt: skip

    def entrance(self) -> list[Route]:
        return [
            Route("/in/{token}", self.enter, methods=["GET", "POST"]),
            Route("/static/{name}", self.static),
            Route("/favicon.ico", self.no_icon),
            Route("/device", self.inside(self.device)),
        ]

    def inside(self, handler: Handler, most: int = MOST_BODY) -> Handler:
        """The handler for those who are in; a plain refusal for others. most: bytes that may be sent."""

        async def guarded(request: Request) -> Response:
            must_be_small(request, most)
            refused = self.door.refusal(request.method, request.headers)
            if refused and not self.door.strange_host(request.headers) and not self.door.session(request.headers):
                self._tell_again()
            return self.refuse(refused) if refused else sealed(await handler(request))

        return guarded

    def refuse(self, why: str) -> Response:
        return sealed(self.page("refused.html.j2", why=why, shut=self.door.shut), status=403)

    def page(self, name: str, **values: object) -> HTMLResponse:
        return HTMLResponse(self.templates.get_template(name).render(**values))

    def shown(self, request: Request, name: str, **values: object) -> HTMLResponse:
        """A page for those who are in, which may press."""
        session = self.door.session(request.headers) or ""
        return self.page(name, csrf=self.door.csrf(session), live=self.live, **values)

    # --- the door ---------------------------------------------------------------------------------------------------
    async def enter(self, request: Request) -> Response:
        """The one-time address; on a network the code is asked for."""
        if self.door.strange_host(request.headers):
            return self.refuse("this page is not served under that name")
        token = request.path_params["token"]
        if self.door.session(request.headers) is not None:
            return sealed(RedirectResponse("/", status_code=303))
        if not self.door.knows(token):
            self._tell_again()
            return self.refuse("this address was used already, or is wrong: take the one that the terminal shows now")
        if self.door.code and request.method == "GET":
            return sealed(self.page("code.html.j2", wrong=0, left=TRIES - self.door.wrong))
        return await self._try(request, token)

    async def _try(self, request: Request, token: str) -> Response:
        code = ""
        if request.method == "POST":
            if self.door.strange_origin(request.headers):
                return self.refuse("a page of another site wanted to come in")
            must_be_small(request)
            code = str((await request.form()).get("code", "")).strip()
        session = self.door.enter(token, code)
        if session is None:
            if self.door.shut:
                return self.refuse("too many wrong codes")
            return sealed(self.page("code.html.j2", wrong=self.door.wrong, left=TRIES - self.door.wrong), status=403)
        self._tell()
        reply = self.page("welcome.html.j2")
        reply.set_cookie(self.door.cookie, session, path="/", httponly=True, samesite="strict", max_age=KEPT)
        return sealed(reply)

    def _tell(self, why: str = "") -> None:
        """The address that is good now, to the terminal: who is locked out could not stop."""
        self._told_at = time.monotonic()
        self.press({"do": "address", "address": self.door.address, "code": self.door.code, "why": why})

    def tell_lonely(self) -> None:
        """The last page was closed, or has lost its way here."""
        self._tell(NO_PAGE)

    def _tell_again(self) -> None:
        """Somebody knocked without a session; not for each knock, a terminal is no place to be flooded."""
        if not self.door.shut and time.monotonic() - self._told_at > AGAIN:
            self._tell()

    async def device(self, request: Request) -> Response:
        """The address for one more device."""
        return self.shown(request, "device.html.j2", address=self.door.address, code=self.door.code)

    async def static(self, request: Request) -> Response:
        """Style and script: the door itself needs the style. They tell nothing of the bench."""
        name = request.path_params["name"]
        if name not in FILES or self.door.strange_host(request.headers):
            raise HTTPException(404)
        return sealed(Response((HERE / name).read_bytes(), media_type=FILES[name]))

    async def no_icon(self, _request: Request) -> Response:
        """Every browser asks for one."""
        return sealed(Response(status_code=204))


def must_be_small(request: Request, most: int = MOST_BODY) -> None:
    """Only bodies whose length is told and fits."""
    if request.method == "GET":
        return
    length = request.headers.get("content-length", "")
    if not (length.isascii() and length.isdigit()) or int(length) > most:
        raise HTTPException(413, f"too long: {most // 1024} KB at most")


async def sent_by(request: Request) -> dict[str, object]:
    must_be_small(request)
    try:
        sent = await request.json()
    except ValueError:
        raise HTTPException(400, "no JSON") from None
    return sent if isinstance(sent, dict) else {}


def sealed(reply: Response, status: int | None = None) -> Response:
    for name, value in HEADERS.items():
        reply.headers[name] = value
    reply.headers.setdefault("content-security-policy", POLICY)
    if status is not None:
        reply.status_code = status
    return reply


async def _plain_error(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return sealed(Response(f"{error.detail}\n", media_type="text/plain", status_code=error.status_code))


async def _broken(_request: Request, _error: Exception) -> Response:
    """Whatever broke: no trace of this computer leaves it."""
    return sealed(Response("this page broke; the run and the guard go on\n", media_type="text/plain", status_code=500))
