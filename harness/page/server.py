"""The page's process: `main()`, started by link.py or by `wakeboard page`. It holds no instrument and no run.

It reads pictures from its standard input and writes what was pressed to its standard output, one JSON object a line.
When its input ends it tells the pages so and ends itself. It runs behind everything else (a lower priority), so that
fifty open pages take nothing from the guard and the runner.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from typing import Any

from wakeboard.harness.page.address import Place
from wakeboard.harness.page.door import Door
from wakeboard.harness.page.hub import Hub

NICE = 5  # the run beside it comes first
BACKLOG = 64  # pages that knock at once after a break of the network
LAST_LOOK = 1.5  # s for the pages to hear that it is over
CONNECTIONS = 200  # more than the pages that one run serves


def serve(
    place: Place, store: str, board: str, *, live: bool, say: Callable[[dict[str, Any]], None], inp: object
) -> None:
    """Until the input ends, or for good where nothing is live. say: told the address, and what is pressed. Raises
    OSError where the address is taken."""
    from wakeboard.harness.page.stored import Stored

    listening = listen(place)
    door = Door(place, listening.getsockname()[1])
    hub = Hub(live)
    say({"address": door.address, "code": door.code})
    asyncio.run(_run(door, hub, Stored(store, board), listening, say, inp))


def listen(place: Place) -> socket.socket:
    family = socket.AF_INET6 if ":" in place.host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((place.host, place.port))
    except OSError:
        listening.close()
        raise
    listening.listen(BACKLOG)
    return listening


async def _run(door: Door, hub: Hub, stored: Any, listening: socket.socket, say: Any, inp: object) -> None:
    import uvicorn

    from wakeboard.harness.page.app import make_app

    app = make_app(door, hub, lambda message: say(dict(message)), stored)
    config = uvicorn.Config(
        app, log_config=None, access_log=False, server_header=False, date_header=False, limit_concurrency=CONNECTIONS,
        timeout_graceful_shutdown=1, timeout_keep_alive=5, lifespan="off", ws="none", proxy_headers=False,
    )  # fmt: skip
    server = uvicorn.Server(config)
    loop = asyncio.get_running_loop()

    def over(why: str) -> None:
        hub.end(why)
        loop.call_later(LAST_LOOK, lambda: setattr(server, "should_exit", True))

    if inp is not None:
        threading.Thread(target=_read, args=(inp, loop, hub, over), daemon=True).start()
    with contextlib.suppress(asyncio.CancelledError, KeyboardInterrupt):
        await server.serve(sockets=[listening])


def _read(inp: Any, loop: asyncio.AbstractEventLoop, hub: Hub, over: Any) -> None:
    """Pictures from the run; in a thread, since no system has a wait for pipes and sockets alike."""
    why = "lost"
    try:
        while line := inp.readline():
            message = json.loads(line)
            if message.get("bye"):
                why = "bye"
                break
            loop.call_soon_threadsafe(hub.take, message["picture"])
    except (OSError, ValueError, KeyError):
        why = "lost"
    with contextlib.suppress(RuntimeError):  # the loop has ended before
        loop.call_soon_threadsafe(over, why)


def _say(out: Any, message: Mapping[str, object]) -> None:
    """One line to the run; a run that is gone hears nothing."""
    with contextlib.suppress(OSError, ValueError):
        out.write(json.dumps(message).encode() + b"\n")
        out.flush()


def main() -> None:
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICE)
    out, inp = sys.stdout.buffer, sys.stdin.buffer
    sys.stdout = sys.stderr
    first = json.loads(inp.readline() or b"{}")
    try:
        place = Place(first["host"], first["port"])
        serve(place, first["store"], first["board"], live=True, say=lambda message: _say(out, message), inp=inp)
    except OSError as error:
        _say(out, {"error": place.refused(error)})
