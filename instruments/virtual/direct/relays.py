"""A virtual scanner's relays as a relays port."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from wakeboard.instruments.ports import Ch

if TYPE_CHECKING:
    from wakeboard.instruments.dialect import ScannerDialect
    from wakeboard.instruments.virtual.hardware.scanner import Relays


class DirectRelays:
    """One scanner. Nobody keeps these relays' counts."""

    counts = False

    def __init__(self, name: str, dialect: ScannerDialect, relays: Relays) -> None:
        self.name = name
        self.rated_volts = dialect.rated_volts
        self.hot_amps: float | None = dialect.hot_amps
        self.life = dialect.life
        self.switched: Collection[str] = frozenset()
        self._relays = relays

    def told(self, what: str) -> object:
        return None

    def count(self, ch: Ch) -> int | None:
        return None

    def close(self, ch: Ch) -> None:
        self._relays.close((int(ch),))

    def open(self, ch: Ch) -> None:
        self._relays.open((int(ch),))

    def is_closed(self, ch: Ch) -> bool:
        return int(ch) in self._relays.closed

    def only(self, ch: Ch) -> None:
        self._relays.arrange([int(ch)])

    def open_all(self) -> None:
        self._relays.arrange([])
