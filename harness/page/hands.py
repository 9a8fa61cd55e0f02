"""The hands at a virtual bench, played by a person on a page: pressing a point puts the probe there.

For the whole of a by-hand run without hardware. The probe is the virtual scanner's channels, moved over its own socket
as any client would; what a run of this bench sees is a meter's lead, and nothing of this page. Nothing real is moved.

    hands = PlayedHands("TCPIP::127.0.0.1::5026::SOCKET", {"TP1": 101, …}, short=120, swap=119)
    hands.put("TP1"); hands.reverse(); hands.touch(); hands.lift()
    serve_hands(place, hands, board, outputs_on, say)      blocks: the page, until its thread's program ends
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from wakeboard.harness.page.door import Door
from wakeboard.harness.page.entrance import Entrance, application, sent_by

if TYPE_CHECKING:
    from wakeboard.harness.page.address import Place

IN_THE_AIR, TIPS = "", "the other tip"
LIFTED: Final = 1.2  # s between two points, as a hand takes: a run must see the lead in the air first
LATE: Final = 10.0  # s for the virtual scanner


@dataclass(frozen=True)
class Spot:
    """Where the probe can be put: the point's name, its net, where it is in words."""

    name: str
    net: str
    place: str


class PlayedHands:
    """Thread-safe; one movement at a time."""

    def __init__(self, scanner: str, channels: Mapping[str, int], short: int, swap: int) -> None:
        """scanner: its VISA address on this computer; channels: point -> channel; short: the tips held together; swap:
        the two leads change places."""
        self._where = tuple(scanner.split("::")[1:3])
        self._channels = {**channels, TIPS: short}
        self._swap = swap
        self._moving = threading.Lock()
        self.at = IN_THE_AIR
        self.reversed = False

    def put(self, point: str) -> None:
        """The probe off where it is, and onto a point, the red lead on it. Raises KeyError, OSError."""
        channel = self._channels[point]
        with self._moving:
            self._lift()
            time.sleep(LIFTED)
            self._ask(f"ROUT:CLOS (@{channel})")
            self.at = point

    def reverse(self) -> None:
        """The leads change places at the point where they are; once more: they are as usual. Nothing in the air.
        Raises OSError."""
        with self._moving:
            point, turned = self.at, not self.reversed
            if point in (IN_THE_AIR, TIPS):
                return
            self._lift()
            time.sleep(LIFTED)
            self._ask(f"ROUT:CLOS (@{f'{self._swap},' if turned else ''}{self._channels[point]})")
            self.at, self.reversed = point, turned

    def touch(self) -> None:
        """The two tips together."""
        self.put(TIPS)

    def lift(self) -> None:
        """The probe in the air."""
        with self._moving:
            self._lift()

    def _lift(self) -> None:
        self._ask(f"ROUT:OPEN (@{','.join(map(str, [*self._channels.values(), self._swap]))})")
        self.at, self.reversed = IN_THE_AIR, False

    def _ask(self, line: str) -> None:
        host, port = self._where
        with socket.create_connection((host, int(port)), timeout=LATE) as link:
            link.sendall(f"{line};*OPC?\n".encode())
            link.recv(100)


class HandPages(Entrance):
    """The page: what is on, where the probe is, and every point as something to press."""

    def __init__(
        self, door: Door, say: Callable[[Mapping[str, object]], None], hands: PlayedHands, board: str,
        spots: Sequence[Spot], drawing: str, outputs_on: Callable[[], Sequence[str]],
    ) -> None:  # fmt: skip
        super().__init__(door, say)
        self._hands = hands
        self._board = board
        self._spots = spots
        self._drawing = drawing
        self._outputs_on = outputs_on

    def routes(self) -> list[Route]:
        return [
            *self.entrance(),
            Route("/", self.inside(self.page_of_hands)),
            Route("/hand", self.inside(self.hand), methods=["POST"]),
            Route("/state", self.inside(self.state)),
        ]

    async def page_of_hands(self, request: Request) -> Response:
        from markupsafe import Markup

        return self.shown(
            request, "hands.html.j2", board=self._board, spots=self._spots, drawing=Markup(self._drawing)
        )  # fmt: skip

    async def hand(self, request: Request) -> Response:
        """{"do": "put", "point": …}, {"do": "reverse"}, {"do": "touch"} or {"do": "lift"}"""
        try:
            await run_in_threadpool(self._movement(await sent_by(request)))
        except OSError:
            raise HTTPException(503, "the virtual bench does not answer") from None
        return await self.state(request)

    def _movement(self, sent: Mapping[str, object]) -> Callable[[], None]:
        point, hands = sent.get("point"), self._hands
        if sent.get("do") == "put" and any(spot.name == point for spot in self._spots):
            return lambda: hands.put(str(point))
        others = {"touch": hands.touch, "lift": hands.lift, "reverse": hands.reverse}
        if (movement := others.get(str(sent.get("do")))) is None:
            raise HTTPException(400, "no such movement")
        return movement

    async def state(self, _request: Request) -> Response:
        hands = self._hands
        return JSONResponse({"at": hands.at, "reversed": hands.reversed, "on": list(self._outputs_on())})


def serve_hands(
    place: Place, hands: PlayedHands, board: str, spots: Sequence[Spot], drawing: str,
    outputs_on: Callable[[], Sequence[str]], say: Callable[[Mapping[str, object]], None],
) -> None:  # fmt: skip
    """The page, in a thread of its own that ends with the program. say: told the address, again whenever one is used.
    Raises OSError where the address is taken."""
    from wakeboard.harness.page.server import listen

    listening = listen(place)
    door = Door(place, listening.getsockname()[1])
    say({"address": door.address, "code": door.code})
    pages = HandPages(door, say, hands, board, spots, drawing, outputs_on)
    threading.Thread(target=_serve, args=(pages, listening), daemon=True, name="hands").start()


def _serve(pages: HandPages, listening: socket.socket) -> None:
    import uvicorn

    config = uvicorn.Config(
        application(pages.routes()), log_config=None, access_log=False, server_header=False, date_header=False,
        limit_concurrency=100, lifespan="off", ws="none", proxy_headers=False,
    )  # fmt: skip
    server = uvicorn.Server(config)
    server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]  # the program's own end it
    with contextlib.suppress(asyncio.CancelledError):
        asyncio.run(server.serve(sockets=[listening]))
