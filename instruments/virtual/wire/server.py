"""The virtual bench on the wire: a TCP port an instrument, a pty (or a TCP port) for the console, in real time.

    serve(bench, ready=print)            # blocks until SIGINT, SIGTERM or `stop`
    with running(bench) as addresses:    # in a thread, for tests
        pyvisa.ResourceManager("@py").open_resource(addresses.instruments["supply"], …)

One thread runs everything, so that nothing touches the circuit at the same time. The circuit is brought up to now
before each message and by an idle tick; where the computer is busy, the answer waits for it: a supply that a moment ago
was told 5 V would else seem to hang at 4 V. A supply answers once its output is up. Where the computer cannot follow a
fast transient in real time at all, the bench's time falls behind, and that is said: it never runs ahead. Several
clients may talk to one instrument; their messages run one after another, as inside a real one, and a meter that
integrates keeps its next message waiting.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import sys
import threading
import time
import weakref
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import cast

from wakeboard.instruments.virtual.bench import VirtualBench
from wakeboard.instruments.virtual.circuit import SolveError
from wakeboard.instruments.virtual.scpi.instrument import Instrument, ScpiInstrument
from wakeboard.instruments.virtual.time.stage import Stage

TICK_MOVING, TICK_RESTING = 0.002, 0.05  # seconds between idle ticks
LAST_TURNS = 8  # of the loop, before it ends: more than a connection takes from being let in to being closed
BUDGET = 0.004  # seconds of computing at a stretch, before messages get their turn
CATCH_UP = 0.2  # seconds that an answer waits for the circuit to come up to now: half of a bench's shortest time-out
TOO_SLOW = "this computer is too busy for this circuit: the bench's time falls behind the clock on the wall"
Heard = Callable[[str, str, str], None]


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where the bench is. instruments: name -> VISA resource name; console: a port for pySerial, or None."""

    instruments: Mapping[str, str]
    console: str | None


class RealTime:
    """Keeps the stage at real time, as far as the computer can."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self._offset = time.monotonic() - stage.now
        self._complaint = ""

    def sync(self) -> bool:
        """Bring the circuit up to now, or as far as the budget of computing allows; whether it got there. The rest is
        made up for by the next calls."""
        stage = self.stage
        until = time.monotonic() - self._offset
        deadline = time.monotonic() + BUDGET
        try:
            while stage.now < until:
                stage.advance(min(stage.pace, until - stage.now))
                if time.monotonic() > deadline:
                    break
        except SolveError as error:
            self._complain(str(error))
            self._stand(0.0)
            return True  # there is no later for this circuit
        self._stand(CATCH_UP)
        return stage.now >= until

    def give_up(self) -> None:
        """What the circuit is behind by is lost."""
        self._complain(TOO_SLOW)
        self._stand(0.0)

    def _stand(self, behind: float) -> None:
        """The circuit is behind by so much at most."""
        self._offset = max(self._offset, time.monotonic() - self.stage.now - behind)

    def _complain(self, text: str) -> None:
        """Say once what the circuit cannot answer; the bench's time stands still meanwhile."""
        if text != self._complaint:
            self._complaint = text
            print(f"virtual bench: {text}", file=sys.stderr)


class Served:
    """One instrument on the wire: messages of all clients in the order in which they came."""

    def __init__(self, name: str, instrument: Instrument, clock: RealTime, heard: Heard | None) -> None:
        self.name = name
        self.instrument = instrument
        self.address = ""
        self._clock = clock
        self._heard = heard
        self._waiting: deque[tuple[Client, str]] = deque()
        self._busy = False
        self._last = -1.0

    def submit(self, client: Client, message: str) -> None:
        """Queue a message, and run what is queued unless one is under way."""
        self._waiting.append((client, message))
        self._next()

    def _next(self) -> None:
        while self._waiting and not self._busy:
            client, message = self._waiting.popleft()
            if self._heard is not None:
                self._heard(self.name, ">", message)
            now = time.monotonic()
            if self.instrument.gap and now - self._last < self.instrument.gap:
                continue  # lost, as in the real one
            self._busy = True
            self._caught_up(lambda client=client, message=message: self._begin(client, message), now)  # type: ignore[misc]

    def _caught_up(self, go_on: Callable[[], None], since: float) -> bool:
        """Go on once the circuit is at now, or where that takes too long; True where that was at once."""
        if not self._clock.sync():
            if time.monotonic() - since < CATCH_UP:
                asyncio.get_running_loop().call_soon(self._again, go_on, since)
                return False
            self._clock.give_up()
        go_on()
        return True

    def _again(self, go_on: Callable[[], None], since: float) -> None:
        if self._caught_up(go_on, since):
            self._next()

    def _begin(self, client: Client, message: str) -> None:
        self.instrument.reply = None
        self.instrument.asker = client
        self._go_on(client, self.instrument.run(message))

    def _go_on(self, client: Client, steps: Iterator[float]) -> None:
        """Run a message up to where it has to wait, or to its end."""
        try:
            wait = next(steps)
        except StopIteration:
            self._rest(client)
        except SolveError as error:
            self._fail(error)
        else:
            asyncio.get_running_loop().call_later(wait, self._later, client, steps)

    def _fail(self, error: SolveError) -> None:
        """The circuit has no answer: the instrument reports a system error instead of a reading."""
        self._busy = False
        print(f"virtual bench: {self.name}: {error}", file=sys.stderr)
        if isinstance(self.instrument, ScpiInstrument):
            self.instrument.push_error(-310, str(error))

    def _later(self, client: Client, steps: Iterator[float]) -> None:
        self._again(lambda: self._go_on(client, steps), time.monotonic())

    def _rest(self, client: Client) -> None:
        """An instrument that is still about what it was told answers when that is done, in the bench's time."""
        rest = self.instrument.unfinished
        if rest <= 0:
            self._finish(client)
            return
        finish = self._finish
        asyncio.get_running_loop().call_later(rest, lambda: self._again(lambda: finish(client), time.monotonic()))

    def _finish(self, client: Client) -> None:
        self._busy = False
        self._last = time.monotonic()
        reply = self.instrument.reply
        if reply is not None:
            if self._heard is not None:
                self._heard(self.name, "<", reply)
            client.send(self.instrument.wrap(reply))


class Client(asyncio.Protocol):
    """One client's connection to an instrument."""

    def __init__(self, served: Served) -> None:
        self._served = served
        self._buffer = bytearray()
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        _no_delay(transport)

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        for message in self._served.instrument.cut(self._buffer):
            self._served.submit(self, message)

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None

    def drop(self) -> None:
        """End the connection, whatever is still unsent."""
        if self._transport is not None:
            self._transport.abort()

    def send(self, data: bytes) -> None:
        """Reply, unless the client has gone."""
        if self._transport is not None:
            self._transport.write(data)


class ConsoleClient(asyncio.Protocol):
    """One client of the console where it is a TCP port; pySerial reaches it as socket://host:port."""

    def __init__(self, console: WireConsole) -> None:
        self._console = console
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        _no_delay(transport)
        self._console.outputs.append(self._transport.write)

    def data_received(self, data: bytes) -> None:
        self._console.receive(data)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is not None:
            self._console.outputs.remove(self._transport.write)


class WireConsole:
    """The board's console: bytes of the target to everybody who listens, and back."""

    def __init__(self, bench: VirtualBench, clock: RealTime) -> None:
        self._target = bench.target
        self._clock = clock
        self.outputs: list[Callable[[bytes], object]] = []
        if self._target is not None:
            self._target.send = self._send

    def _send(self, data: bytes) -> None:
        for output in list(self.outputs):
            output(data)

    def receive(self, data: bytes) -> None:
        self._clock.sync()
        if self._target is not None:
            self._target.receive(data)


class WireServer:
    """Serves one bench on the running event loop."""

    def __init__(
        self, bench: VirtualBench, host: str = "127.0.0.1", first_port: int = 0, heard: Heard | None = None
    ) -> None:
        """first_port: ports are counted up from it; 0: any free ones. heard: told (instrument, ">" or "<", text)."""
        self.bench = bench
        self.host = host
        self._ports = iter(range(first_port, first_port + 100)) if first_port else iter([0] * 100)
        self._clock = RealTime(bench.stage)
        self._served = [Served(name, item, self._clock, heard) for name, item in bench.instruments.items()]
        self._servers: list[asyncio.Server] = []
        self._descriptors: list[int] = []
        self._clients: weakref.WeakSet[Client] = weakref.WeakSet()
        self._ticking: asyncio.TimerHandle | None = None

    async def start(self) -> Addresses:
        """Open all ports; OSError where one is taken."""
        addresses: dict[str, str] = {}
        for served in self._served:
            port = await self._listen(lambda served=served: self._client(served))  # type: ignore[misc]
            addresses[served.name] = f"TCPIP::{self.host}::{port}::SOCKET"
        console = None
        if self.bench.target is not None:
            console = await self._open_console(WireConsole(self.bench, self._clock))
        self._tick()
        return Addresses(addresses, console)

    def _client(self, served: Served) -> Client:
        client = Client(served)
        self._clients.add(client)
        return client

    async def _listen(self, protocol: Callable[[], asyncio.Protocol]) -> int:
        server = await asyncio.get_running_loop().create_server(protocol, self.host, next(self._ports))
        self._servers.append(server)
        return int(server.sockets[0].getsockname()[1])

    async def _open_console(self, console: WireConsole) -> str:
        if sys.platform != "win32":
            return self._open_pty(console)
        port = await self._listen(lambda: ConsoleClient(console))
        return f"socket://{self.host}:{port}"

    def _open_pty(self, console: WireConsole) -> str:
        """A pseudo-terminal; its far end stays open here, so that a client may come and go."""
        import tty

        near, far = os.openpty()
        self._descriptors += [near, far]
        tty.setraw(near)
        tty.setraw(far)
        os.set_blocking(near, False)
        loop = asyncio.get_running_loop()
        loop.add_reader(near, lambda: console.receive(os.read(near, 4096)))
        console.outputs.append(lambda data: _write_some(near, data))
        return os.ttyname(far)

    def _tick(self) -> None:
        there = self._clock.sync()
        stage = self.bench.stage
        period = min(max(TICK_MOVING, stage.pace), self._resting()) if stage.moving else self._resting()
        if not there:
            period = 0.0  # whoever has sent a message has his turn, and then this again
        self._ticking = asyncio.get_running_loop().call_later(period, self._tick)

    def _resting(self) -> float:
        due = self.bench.stage.next_event()
        return TICK_RESTING if due is None else min(TICK_RESTING, max(0.0, due - self.bench.stage.now))

    async def stop(self) -> None:
        """Close everything; every output of the bench stays as it is."""
        if self._ticking is not None:
            self._ticking.cancel()
        loop = asyncio.get_running_loop()
        for listening in (each for server in self._servers for each in server.sockets):
            with contextlib.suppress(NotImplementedError):  # Windows
                loop.remove_reader(listening.fileno())
        for _ in range(LAST_TURNS):  # who was let in just before is a client some turns later
            for client in list(self._clients):
                client.drop()
            await asyncio.sleep(0)
        for server in self._servers:
            server.close()
        for descriptor in self._descriptors:
            loop.remove_reader(descriptor)
            os.close(descriptor)
        self._descriptors.clear()


def _write_some(descriptor: int, data: bytes) -> None:
    """Write what fits: a serial line without a listener loses the rest."""
    with contextlib.suppress(BlockingIOError, OSError):
        os.write(descriptor, data)


def _no_delay(transport: asyncio.BaseTransport) -> None:
    transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def serve(
    bench: VirtualBench,
    *,
    host: str = "127.0.0.1",
    first_port: int = 0,
    ready: Callable[[Addresses], None] | None = None,
    stop: threading.Event | None = None,
    heard: Heard | None = None,
) -> None:
    """Serve a bench until SIGINT, SIGTERM or `stop`; `ready` is told the addresses once all ports are open."""
    asyncio.run(_serve(bench, host, first_port, ready, stop, heard))


async def _serve(
    bench: VirtualBench,
    host: str,
    first_port: int,
    ready: Callable[[Addresses], None] | None,
    stop: threading.Event | None,
    heard: Heard | None,
) -> None:
    server = WireServer(bench, host, first_port, heard)
    ended = asyncio.Event()
    _on_signals(ended)
    try:  # whatever ends it, an address that is taken or a `ready` that fails: no port stays open
        addresses = await server.start()
        if ready is not None:
            ready(addresses)
        while not ended.is_set() and not (stop is not None and stop.is_set()):
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(ended.wait(), 0.05 if stop is not None else 0.5)
    finally:
        await server.stop()


def _on_signals(ended: asyncio.Event) -> None:
    """End on SIGINT and SIGTERM, where this is the main thread and the system can."""
    import signal

    if threading.current_thread() is not threading.main_thread():
        return
    loop = asyncio.get_running_loop()
    for name in (signal.SIGINT, signal.SIGTERM):
        try:
            loop.add_signal_handler(name, ended.set)
        except NotImplementedError:  # Windows: KeyboardInterrupt ends asyncio.run
            return


@contextlib.contextmanager
def running(bench: VirtualBench, *, heard: Heard | None = None) -> Iterator[Addresses]:
    """Serve a bench in a thread while the block runs. Nobody but the server may touch the bench meanwhile."""
    started = threading.Event()
    stop = threading.Event()
    found: list[Addresses] = []

    def ready(addresses: Addresses) -> None:
        found.append(addresses)
        started.set()

    thread = threading.Thread(target=serve, args=(bench,), kwargs={"ready": ready, "stop": stop, "heard": heard})
    thread.start()
    try:
        if not started.wait(10) or not found:
            raise RuntimeError("the virtual bench did not start")
        yield found[0]
    finally:
        stop.set()
        thread.join(10)
