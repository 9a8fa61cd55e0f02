"""The network between a program and an instrument, which fails at one message of all that pass.

    with Proxy(port, Mischief("double", nth=12)) as proxy:      proxy.port is what the bench file names

Kinds, at the N-th reply of the instrument on its way back:

    drop       both connections are reset
    half       the way back is closed, the way there stays open
    stall      nothing comes back on this connection any more
    delay      the reply comes when its deadline is long over
    double     the reply comes twice
    truncate   half of the reply comes, and no end
    stale      the reply before comes instead, and from there on each reply answers the question before
    garbage    bytes of the same number, drawn at random
    cut        the cable is out: connections stall, new ones are taken by nobody; `once`: it is back after `back` s

and, at the N-th message to the instrument:

    eaten      the message does not arrive
    clipped    half of it arrives, with its end
"""

from __future__ import annotations

import asyncio
import random
import threading
import time
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Self

BACK: Final = ("drop", "half", "stall", "delay", "double", "truncate", "stale", "garbage", "cut")
THERE: Final = ("eaten", "clipped")
KINDS: Final = (*BACK, *THERE)


@dataclass(frozen=True)
class Mischief:
    kind: str
    nth: int
    once: bool = True
    late: float = 0.9  # s: longer than the time-out of the campaign's links
    back: float = 0.3  # s until a cable is put back
    seed: int = 1


class Proxy:
    """In a thread of its own, with an event loop of its own."""

    def __init__(self, target: int, mischief: Mischief | None = None) -> None:
        self.target = target
        self.mischief = mischief
        self.port = 0
        self.failed_at: float | None = None
        self._counts = {"back": 0, "there": 0}
        self._random = random.Random(mischief.seed if mischief else 0)
        self._out_until = 0.0  # the cable is out until then
        self._lost_until = 0.0
        self._previous = b""
        self._opened = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self._opened.wait(10)

    def _run(self) -> None:
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        self._ending = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        server = await asyncio.start_server(self._client, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._opened.set()
        await self._ending.wait()
        server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._relay(reader, writer)
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            self._tasks.discard(task)
            writer.transport.abort()

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target)
        there = asyncio.ensure_future(self._there(reader, far_writer))
        back = asyncio.ensure_future(self._back(far_reader, writer))
        try:
            await asyncio.wait({there, back}, return_when=asyncio.FIRST_COMPLETED)
            if back.done() and back.exception() is None and back.result():
                await there  # the way back is closed, the way there is not
        finally:
            for each in (there, back):
                each.cancel()
            await asyncio.gather(there, back, return_exceptions=True)
            far_writer.transport.abort()

    # --- one way and the other --------------------------------------------------------------------------------------
    async def _there(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            if time.monotonic() < self._lost_until:
                continue
            await self._gate()
            kind = self._due("there")
            if kind == "eaten":
                continue
            writer.write(line[: len(line) // 2] + b"\n" if kind == "clipped" else line)
            await writer.drain()

    async def _back(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """True where only this way was closed on purpose."""
        shifted = b""
        while line := await reader.readline():
            kind = self._due("back")
            if kind == "cut" and self.mischief is not None:
                self._out_until = time.monotonic() + (self.mischief.back if self.mischief.once else 1e9)
            await self._gate()
            if kind == "drop":
                return False
            if kind == "half":
                writer.write_eof()
                return True
            if kind == "stall":
                await asyncio.sleep(1e6)
            if kind == "stale" or shifted:
                line, shifted = shifted or self._previous or line, line
            for piece in self._mangled(kind, line):
                if kind == "delay" and self.mischief is not None:
                    await asyncio.sleep(self.mischief.late)
                writer.write(piece)
            self._previous = line
            await writer.drain()
        return False

    def _mangled(self, kind: str, line: bytes) -> list[bytes]:
        if kind == "double":
            return [line, line]
        if kind == "truncate":
            return [line[: len(line) // 2]]
        if kind == "garbage":
            return [self._random.randbytes(len(line) - 1).replace(b"\n", b"?") + b"\n"]
        return [line]

    async def _gate(self) -> None:
        while time.monotonic() < self._out_until:
            await asyncio.sleep(0.01)

    def _due(self, way: str) -> str:
        mischief = self.mischief
        self._counts[way] += 1
        if mischief is None or mischief.kind not in (BACK if way == "back" else THERE):
            return ""
        number = self._counts[way]
        if number < mischief.nth or (mischief.once and number > mischief.nth):
            return ""
        if self.failed_at is None:
            self.failed_at = time.monotonic()
        return mischief.kind

    def pull(self, seconds: float) -> None:
        """The cable is out for so long, and what is sent meanwhile is lost."""
        self._out_until = self._lost_until = time.monotonic() + seconds

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._ending.set)
        self._thread.join(10)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _tb: TracebackType | None
    ) -> None:
        self.close()
