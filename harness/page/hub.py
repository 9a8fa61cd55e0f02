"""In the page's process: the newest picture, how long the run has been silent, and what each open page is sent.

hub.lonely = tell            called once no page has been open for a while, though some were
hub.take(picture)            from the run's pipe, on the server's own loop
async for text in hub.events(): …        server-sent events of one page, the newest only, and a beat each second
"""

from __future__ import annotations

import asyncio
import json
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from typing import Any

BEAT = 1.0  # s between words to a page whatever happens: what hears nothing says so after three of them
LEAST = 0.15  # s between two pictures to one page
TRACE = 600  # samples of each supply that a page which opens later still sees
MOST_PAGES = 120  # pages that watch one run: below CONNECTIONS of the server
SILENT = 3.0  # s without a word from the run
LONELY = 5.0  # s without a page: one that is loaded again, or finds its network again, is back before


class Hub:
    """One for the server; everything on its event loop."""

    def __init__(self, live: bool) -> None:
        self.live = live  # whether there is a run at the other end of a pipe
        self.picture: dict[str, object] = {}
        self.gone = ""  # why no further picture comes: "bye", or "lost"
        self.pages = 0
        self.lonely: Callable[[], None] = lambda: None
        self._heard = time.monotonic()
        self._version = 0
        self._news = asyncio.Event()
        self._trace: dict[str, deque[tuple[float, float | None, float | None]]] = {}
        self._began = time.monotonic()

    def take(self, picture: dict[str, Any]) -> None:
        self._heard = time.monotonic()
        self.picture = picture
        for row in picture.get("supplies", ()):
            trace = self._trace.setdefault(row["name"], deque(maxlen=TRACE))
            trace.append((round(self._heard - self._began, 2), row["volts"], row["amps"]))
        self._wake()

    def end(self, why: str) -> None:
        """No further picture comes."""
        self.gone = self.gone or why
        self._wake()

    def _wake(self) -> None:
        self._version += 1
        self._news.set()
        self._news = asyncio.Event()

    @property
    def over(self) -> bool:
        """Whether the run has ended, or is gone."""
        return bool(self.gone or self.picture.get("ended"))

    @property
    def silent(self) -> float:
        return time.monotonic() - self._heard

    async def events(self) -> AsyncIterator[bytes]:
        """What one page is sent, until nothing more comes."""
        self.pages += 1
        try:
            yield _event("trace", {name: list(rows) for name, rows in self._trace.items()})
            shown = -1
            while True:
                if shown != self._version:
                    shown = self._version
                    yield _event("picture", {**self.picture, "live": self.live, "now": self._now()})
                yield _event("beat", {"silent": round(self.silent, 1), "gone": self.gone, "live": self.live})
                if self.gone:
                    return
                await self._wait(shown)
        finally:
            self.pages -= 1
            if not self.pages:
                asyncio.get_running_loop().call_later(LONELY, self._look_for_pages)

    def _look_for_pages(self) -> None:
        if not self.pages and not self.over:
            self.lonely()

    def _now(self) -> float:
        return round(time.monotonic() - self._began, 2)

    async def _wait(self, shown: int) -> None:
        await asyncio.sleep(LEAST)
        news = self._news
        if shown == self._version and not self.gone:
            try:
                await asyncio.wait_for(news.wait(), BEAT - LEAST)
            except TimeoutError:
                return


def _event(name: str, data: Any) -> bytes:
    return f"event: {name}\ndata: {json.dumps(data, ensure_ascii=False)}\n\n".encode()
