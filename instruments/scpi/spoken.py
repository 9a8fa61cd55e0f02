"""What all drivers have in common: an instrument that is spoken to over a link, in its dialect."""

from __future__ import annotations

from typing import Generic, TypeVar

from wakeboard.instruments.dialect import Dialect
from wakeboard.instruments.link.identity import Identity
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.scpi.speaker import Speaker

D = TypeVar("D", bound=Dialect)


class Spoken(Generic[D]):
    """A driver in the making. identity: who answered, once `identify` has asked."""

    def __init__(self, link: Link, dialect: D) -> None:
        self.link = link
        self.name = link.name
        self.dialect: D = dialect
        self.speaker = Speaker(link, dialect)
        self.identity: Identity | None = None
        link.on_reopen.append(self.after_reopening)

    def identify(self) -> Identity:
        """Ask *IDN?."""
        self.identity = self.speaker.identify()
        return self.identity

    def told(self, what: str) -> object:
        """What the instrument says of itself that a run keeps; None: nothing."""
        return None

    def after_reopening(self) -> None:
        """What it was told or asked before may count no longer."""
