"""The routes of the page, each behind the door; what a browser may load, and nothing from elsewhere.

app = make_app(door, hub, press, stored)           press(message): to the run, for what was pressed

Every reply carries the policy below: scripts, styles and pictures from here only, no frame around the page, no
referrer (the address holds a token), nothing kept by the browser.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from wakeboard.harness.page.door import TRIES, Door
from wakeboard.harness.page.hub import MOST_PAGES, Hub
from wakeboard.results.ledger.photos import MOST_BYTES

if TYPE_CHECKING:
    from wakeboard.harness.page.stored import Stored

HERE = Path(__file__).parent
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; base-uri 'none'; "
    "frame-ancestors 'none'"
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
}
MOST_BODY = 2**14  # bytes
MOST_CAPTION = 200

Handler = Callable[[Request], Awaitable[Response]]
Press = Callable[[Mapping[str, Any]], None]


def make_app(door: Door, hub: Hub, press: Press, stored: Stored) -> Starlette:
    """The application; no debug mode, so that no path of this computer is ever shown."""
    pages = Pages(door, hub, press, stored)
    app = Starlette(routes=pages.routes(), exception_handlers={HTTPException: _plain_error, Exception: _broken})
    return app


class Pages:
    """The handlers, and what they share."""

    def __init__(self, door: Door, hub: Hub, press: Press, stored: Stored) -> None:
        self.door = door
        self.hub = hub
        self.press = press
        self.stored = stored
        self._uploads, self._thinking = asyncio.Lock(), asyncio.Lock()
        self.templates = Environment(
            loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
            lstrip_blocks=True,
        )  # fmt: skip

    def routes(self) -> list[Route]:
        return [
            Route("/in/{token}", self.enter, methods=["GET", "POST"]),
            Route("/static/{name}", self.static),
            Route("/favicon.ico", self.no_icon),
            Route("/", self.inside(self.live)),
            Route("/events", self.inside(self.events)),
            Route("/key", self.inside(self.key), methods=["POST"]),
            Route("/stop", self.inside(self.stop), methods=["POST"]),
            Route("/map", self.inside(self.map)),
            Route("/device", self.inside(self.device)),
            Route("/units", self.inside(self.units)),
            Route("/units/{board}/{unit}", self.inside(self.unit)),
            Route("/units/{board}/{unit}/photo", self.inside(self.take_photo, MOST_BYTES), methods=["POST"]),
            Route("/photo/{photo}", self.inside(self.photo)),
            Route("/photo/{photo}/small", self.inside(self.photo)),
            Route("/explain/{run}", self.inside(self.explain)),
            Route("/run/{run}", self.inside(self.run)),
            Route("/board/{board}", self.inside(self.board)),
        ]

    def inside(self, handler: Handler, most: int = MOST_BODY) -> Handler:
        """The handler for those who are in; a plain refusal for others. most: bytes that may be sent."""

        async def guarded(request: Request) -> Response:
            _must_be_small(request, most)
            refused = self.door.refusal(request.method, request.headers)
            return self.refuse(refused) if refused else _sealed(await handler(request))

        return guarded

    def refuse(self, why: str) -> Response:
        return _sealed(self.page("refused.html.j2", why=why, shut=self.door.shut), status=403)

    def page(self, name: str, **values: Any) -> HTMLResponse:
        return HTMLResponse(self.templates.get_template(name).render(**values))

    def shown(self, request: Request, name: str, **values: Any) -> HTMLResponse:
        """A page for those who are in, which may press."""
        session = self.door.session(request.headers) or ""
        return self.page(name, csrf=self.door.csrf(session), live=self.hub.live, **values)

    # --- the door ---------------------------------------------------------------------------------------------------
    async def enter(self, request: Request) -> Response:
        """The one-time address; on a network the code is asked for."""
        if self.door.strange_host(request.headers):
            return self.refuse("this page is not served under that name")
        token = request.path_params["token"]
        if self.door.session(request.headers) is not None:
            return _sealed(RedirectResponse("/", status_code=303))
        if not self.door.knows(token):
            return self.refuse("this address was used already, or is wrong: take the one that the terminal shows now")
        if self.door.code and request.method == "GET":
            return _sealed(self.page("code.html.j2", wrong=0, left=TRIES - self.door.wrong))
        return await self._try(request, token)

    async def _try(self, request: Request, token: str) -> Response:
        code = ""
        if request.method == "POST":
            if self.door.strange_origin(request.headers):
                return self.refuse("a page of another site wanted to come in")
            _must_be_small(request)
            code = str((await request.form()).get("code", "")).strip()
        session = self.door.enter(token, code)
        if session is None:
            if self.door.shut:
                return self.refuse("too many wrong codes")
            return _sealed(self.page("code.html.j2", wrong=self.door.wrong, left=TRIES - self.door.wrong), status=403)
        self.press({"do": "address", "address": self.door.address, "code": self.door.code})
        reply = self.page("welcome.html.j2")
        reply.set_cookie(self.door.cookie, session, path="/", httponly=True, samesite="strict")
        return _sealed(reply)

    async def device(self, request: Request) -> Response:
        """The address for one more device."""
        return self.shown(request, "device.html.j2", address=self.door.address, code=self.door.code)

    async def static(self, request: Request) -> Response:
        """Style and script: the door itself needs the style. They tell nothing of the bench."""
        name = request.path_params["name"]
        if name not in FILES or self.door.strange_host(request.headers):
            raise HTTPException(404)
        return _sealed(Response((HERE / name).read_bytes(), media_type=FILES[name]))

    async def no_icon(self, _request: Request) -> Response:
        """Every browser asks for one."""
        return _sealed(Response(status_code=204))

    # --- live -------------------------------------------------------------------------------------------------------
    async def live(self, request: Request) -> Response:
        if not self.hub.live:
            return RedirectResponse("/units", status_code=303)
        return self.shown(request, "live.html.j2")

    async def events(self, request: Request) -> Response:
        if self.hub.pages >= MOST_PAGES:
            raise HTTPException(503, "too many pages are open")
        return StreamingResponse(self.hub.events(), media_type="text/event-stream")

    async def key(self, request: Request) -> Response:
        """A key, or a text, to the question of this number."""
        sent = await _sent(request)
        number, key = sent.get("prompt"), sent.get("key")
        if not isinstance(number, int) or not isinstance(key, str) or not 0 < len(key) <= 200:
            raise HTTPException(400, "a key and the number of its question")
        self.press({"do": "key", "prompt": number, "key": key})
        return JSONResponse({"sent": True})

    async def stop(self, request: Request) -> Response:
        self.press({"do": "stop"})
        return JSONResponse({"sent": True})

    async def map(self, request: Request) -> Response:
        """The map of the board with the point to probe; an empty reply where no places are known."""
        query = request.query_params
        drawn = await run_in_threadpool(self.stored.map, query.get("net", ""), query.get("point", ""))
        return Response(drawn, media_type="image/svg+xml") if drawn else Response(status_code=204)

    # --- what is kept -----------------------------------------------------------------------------------------------
    async def units(self, request: Request) -> Response:
        return self.shown(request, "units.html.j2", **await run_in_threadpool(self.stored.units))

    async def unit(self, request: Request) -> Response:
        where = request.path_params
        told = await run_in_threadpool(self.stored.unit, where["board"], where["unit"])
        return self.shown(request, "unit.html.j2", most_bytes=MOST_BYTES, **_there(told))

    async def take_photo(self, request: Request) -> Response:
        """A photo of a unit: the file's bytes as the body, what it shows in the query. Held in memory once, by one at a
        time."""
        where, text = request.path_params, request.query_params.get("text", "")[:MOST_CAPTION]
        async with self._uploads:
            data = await request.body()
            refused = await run_in_threadpool(self.stored.add_photo, where["board"], where["unit"], data, text)
        if refused is None:
            raise HTTPException(404, "nothing is kept under that name")
        return JSONResponse({"refused": refused}, status_code=422 if refused else 200)

    async def photo(self, request: Request) -> Response:
        """The picture that was written anew when it came in: never the bytes that were sent."""
        small = request.url.path.endswith("/small")
        data = _there(await run_in_threadpool(self.stored.photo, request.path_params["photo"], small))
        return Response(data, media_type="image/jpeg", headers={"content-disposition": "inline"})

    async def explain(self, request: Request) -> Response:
        """A run's report with what explains it; worked out now, for one at a time, and not while a run is under way."""
        if self.hub.live and not self.hub.over:
            raise HTTPException(409, "a run is under way: what explains another is worked out when it has ended")
        async with self._thinking:
            html = _there(await run_in_threadpool(self.stored.explained, request.path_params["run"]))
        return Response(html, media_type="text/html", headers={"content-security-policy": REPORT_POLICY})

    async def run(self, request: Request) -> Response:
        html = _there(await run_in_threadpool(self.stored.run_report, request.path_params["run"]))
        return Response(html, media_type="text/html", headers={"content-security-policy": REPORT_POLICY})

    async def board(self, request: Request) -> Response:
        html = _there(await run_in_threadpool(self.stored.board_report, request.path_params["board"]))
        return Response(html, media_type="text/html", headers={"content-security-policy": REPORT_POLICY})


def _there(found: Any) -> Any:
    if found is None:
        raise HTTPException(404, "nothing is kept under that name")
    return found


def _must_be_small(request: Request, most: int = MOST_BODY) -> None:
    """Only bodies whose length is told and fits."""
    if request.method == "GET":
        return
    length = request.headers.get("content-length", "")
    if not (length.isascii() and length.isdigit()) or int(length) > most:
        raise HTTPException(413, f"too long: {most // 1024} KB at most")


async def _sent(request: Request) -> dict[str, Any]:
    _must_be_small(request)
    try:
        sent = await request.json()
    except ValueError:
        raise HTTPException(400, "no JSON") from None
    return sent if isinstance(sent, dict) else {}


def _sealed(reply: Response, status: int | None = None) -> Response:
    for name, value in HEADERS.items():
        reply.headers[name] = value
    reply.headers.setdefault("content-security-policy", POLICY)
    if status is not None:
        reply.status_code = status
    return reply


async def _plain_error(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return _sealed(Response(f"{error.detail}\n", media_type="text/plain", status_code=error.status_code))


async def _broken(_request: Request, _error: Exception) -> Response:
    """Whatever broke: no trace of this computer leaves it."""
    return _sealed(Response("this page broke; the run and the guard go on\n", media_type="text/plain", status_code=500))
