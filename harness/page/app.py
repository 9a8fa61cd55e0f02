"""The routes of the page, each behind the door; what a browser may load, and nothing from elsewhere.

app = make_app(door, hub, press, stored)           press(message): to the run, for what was pressed
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from wakeboard.harness.page.door import Door
from wakeboard.harness.page.entrance import Entrance, Press, application, sent_by
from wakeboard.harness.page.hub import MOST_PAGES, Hub
from wakeboard.results.ledger.photos import MOST_BYTES

if TYPE_CHECKING:
    from wakeboard.harness.page.stored import Stored

REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
MOST_CAPTION = 200  # characters: a line under a photo


def make_app(door: Door, hub: Hub, press: Press, stored: Stored) -> Starlette:
    """The application; no debug mode, so that no path of this computer is ever shown."""
    return application(Pages(door, hub, press, stored).routes())


class Pages(Entrance):
    """The handlers, and what they share."""

    def __init__(self, door: Door, hub: Hub, press: Press, stored: Stored) -> None:
        super().__init__(door, press)
        self.hub = hub
        hub.lonely = self.tell_lonely
        self.live = hub.live
        self.stored = stored
        self._uploads, self._thinking = asyncio.Lock(), asyncio.Lock()

    def routes(self) -> list[Route]:
        return [
            *self.entrance(),
            Route("/", self.inside(self.live_page)),
            Route("/events", self.inside(self.events)),
            Route("/key", self.inside(self.key), methods=["POST"]),
            Route("/stop", self.inside(self.stop), methods=["POST"]),
            Route("/map", self.inside(self.map)),
            Route("/units", self.inside(self.units)),
            Route("/units/{board}/{unit}", self.inside(self.unit)),
            Route("/units/{board}/{unit}/photo", self.inside(self.take_photo, MOST_BYTES), methods=["POST"]),
            Route("/photo/{photo}", self.inside(self.photo)),
            Route("/photo/{photo}/small", self.inside(self.photo)),
            Route("/explain/{run}", self.inside(self.explain)),
            Route("/run/{run}", self.inside(self.run)),
            Route("/board/{board}", self.inside(self.board)),
        ]

    # --- live -------------------------------------------------------------------------------------------------------
    async def live_page(self, request: Request) -> Response:
        if not self.hub.live:
            return RedirectResponse("/units", status_code=303)
        return self.shown(request, "live.html.j2")

    async def events(self, request: Request) -> Response:
        if self.hub.pages >= MOST_PAGES:
            raise HTTPException(503, "too many pages are open")
        return StreamingResponse(self.hub.events(), media_type="text/event-stream")

    async def key(self, request: Request) -> Response:
        """A key, or a text, to the question of this number."""
        sent = await sent_by(request)
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


def _there(found: object) -> Any:
    if found is None:
        raise HTTPException(404, "nothing is kept under that name")
    return found
