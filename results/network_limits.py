"""Time limits of a shared server: no network keeps a command waiting, and no dead client keeps another bench waiting.

Three layers, for none of them sees everything: TCP tells a line that carries nothing (libpq: tcp_user_timeout and
keepalives), the server ends what it does too long itself, and for a server that is frozen with its line alive this
side closes the connection.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from collections.abc import Iterator
from typing import Any, Final

import sqlalchemy as sa

SILENT_S: Final = 15  # s without an acknowledgement on the line: enough for a mobile link that stutters
TURN_S: Final = 20  # s to wait for another bench's batch: one takes a second or two
STATEMENT_S: Final = 60  # s for one statement, the server's own account
IDLE_S: Final = 30  # s that a client may hold a lock and say nothing
WHOLE_S = 120.0  # s for one transaction: twice the slowest batch over 1 Mbit/s


def connect_args(connect_s: float) -> dict[str, Any]:
    """What libpq is given (PostgreSQL's documentation, 34.1.2 and 20.11)."""
    limits = {
        "lock_timeout": TURN_S, "statement_timeout": STATEMENT_S, "idle_in_transaction_session_timeout": IDLE_S,
    }  # fmt: skip
    return {
        "connect_timeout": max(2, int(connect_s)),
        "keepalives": 1, "keepalives_idle": 5, "keepalives_interval": 2, "keepalives_count": 5,
        "tcp_user_timeout": SILENT_S * 1000,
        "options": " ".join(f"-c {name}={seconds}s" for name, seconds in limits.items()),
    }  # fmt: skip


@contextlib.contextmanager
def limited(connection: sa.Connection, seconds: float | None = None) -> Iterator[None]:
    """The connection is closed under a transaction that takes longer: the driver then raises what it raises for a lost
    line."""
    late = threading.Timer(WHOLE_S if seconds is None else seconds, _cut, [_descriptor(connection)])
    late.daemon = True
    late.start()
    try:
        yield
    finally:
        late.cancel()


def _descriptor(connection: sa.Connection) -> int:
    driver: Any = connection.connection.driver_connection
    return int(driver.fileno())


def _cut(descriptor: int) -> None:
    """Shut the line down; the driver still owns the descriptor, and closes it."""
    with contextlib.suppress(OSError), socket.socket(fileno=os.dup(descriptor)) as line:
        line.shutdown(socket.SHUT_RDWR)
