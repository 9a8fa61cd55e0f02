"""A small TCP server in a thread that answers as a test scripts it, well or badly."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

import pytest

IDN = "Wakeboard,PSU-1,SN0001,1.0"


class Session:
    """One client's connection, given to the script with each line."""

    def __init__(self, connection: socket.socket, number: int, stop: threading.Event) -> None:
        self.connection = connection
        self.number = number  # 1 for the first client, 2 for the next…
        self.lines: list[str] = []
        self.stop = stop

    def say(self, text: str) -> None:
        self.connection.sendall(text.encode("latin-1"))

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)
        self.connection.close()

    def reset(self) -> None:
        """Close with RST, as a rebooting instrument does."""
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        self.connection.close()

    def pause(self, seconds: float) -> None:
        self.stop.wait(seconds)


Script = Callable[[Session, str], None]


class Peer:
    """Serves until stopped. `script(session, line)` is called for each line that came."""

    def __init__(self, script: Script, *, reads: bool = True) -> None:
        self.script = script
        self.stop = threading.Event()
        self.sessions: list[Session] = []
        self._reads = reads
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def lines(self) -> list[str]:
        return [line for session in self.sessions for line in session.lines]

    def _accept(self) -> None:
        while not self.stop.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            session = Session(connection, len(self.sessions) + 1, self.stop)
            self.sessions.append(session)
            if self._reads:
                thread = threading.Thread(target=self._serve, args=(session,), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, session: Session) -> None:
        unread = b""
        with contextlib.suppress(OSError):
            while data := session.connection.recv(65536):
                *lines, unread = (unread + data).split(b"\n")
                for line in lines:
                    text = line.decode("latin-1").strip()
                    session.lines.append(text)
                    self.script(session, text)

    def end(self) -> None:
        self.stop.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._threads[0].join(5)  # so that nobody is let in behind those that are closed now
        for session in self.sessions:
            session.close()
        for thread in self._threads[1:]:
            thread.join(5)


@pytest.fixture(autouse=True)
def _own_locks(tmp_path, monkeypatch):
    monkeypatch.setenv("WAKEBOARD_LOCKS", str(tmp_path / "locks"))


@pytest.fixture
def serve() -> Iterator[Callable[..., Peer]]:
    """serve(script) -> Peer, ended with the test."""
    peers: list[Peer] = []

    def start(script: Script, **options: bool) -> Peer:
        peer = Peer(script, **options)
        peers.append(peer)
        return peer

    yield start
    for peer in peers:
        peer.end()
