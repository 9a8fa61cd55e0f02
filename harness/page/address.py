"""Where the page is served: loopback, or one named address of the bench's network.

place = parse_place("192.168.7.2:8088")        Place("192.168.7.2", 8088)
place.origins(8088)                            what a browser's Origin and Host may say
"""

from __future__ import annotations

import errno
import ipaddress
from dataclasses import dataclass

HERE = "127.0.0.1"
FORM = "HOST:PORT, such as 192.168.7.2:8088, or PORT alone for this computer only"


class BadPlace(ValueError):
    """No address that the page could be served at; the text says what is allowed."""


@dataclass(frozen=True)
class Place:
    """host: an address of this computer or a name of it; port 0: any that is free."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        return self.host == "localhost" or (_is_address(self.host) and ipaddress.ip_address(self.host).is_loopback)

    def authority(self, port: int) -> str:
        """As it stands in an address."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if port == 80 else f"{host}:{port}"

    def authorities(self, port: int) -> frozenset[str]:
        """What a request's Host may say: nothing else, or a name that somebody points at this computer would do."""
        same = [self, Place("localhost", port)] if self.loopback else [self]
        return frozenset(each.authority(port).casefold() for each in same)

    def refused(self, error: OSError) -> str:
        """Why the system does not serve there, for a person."""
        here = error.errno == errno.EADDRNOTAVAIL
        says = "that is no address of this computer" if here else error.strerror or str(error)
        return f"the page cannot be served at {self.host}:{self.port}: {says}"


def parse_place(text: str) -> Place:
    """Raises BadPlace. Nothing, or a port alone: loopback."""
    text = text.strip()
    if not text:
        return Place(HERE, 0)
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]") or HERE
    if not (port.isascii() and port.isdigit() and int(port) <= 65535) or any(each in host for each in "/ @?#%"):
        raise BadPlace(f'"{text}" is no address for the page: {FORM}')
    if _is_address(host) and (ipaddress.ip_address(host).is_unspecified or ipaddress.ip_address(host).is_multicast):
        raise BadPlace(f"{host} would open the page to every network of this computer: name the address that the "
                       f"bench's own network knows it by ({FORM})")  # fmt: skip
    return Place(host, int(port))


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
