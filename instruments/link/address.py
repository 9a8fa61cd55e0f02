"""One name for one instrument, however its address is spelled: what the lock of an address is taken on.

canonical("TCPIP::localhost::5025::SOCKET")   ("tcp:here:5025",)
canonical("TCPIP0::127.1::5025::SOCKET")      ("tcp:here:5025",)
canonical("ASRL/dev/serial/by-id/usb-X::INSTR") == canonical("/dev/ttyUSB0")

A host with several addresses (IPv4 and IPv6) has several names: whoever spells it otherwise shares one of them.
"""

from __future__ import annotations

import os
import re
import socket
from urllib.parse import urlsplit

_NETWORK = ("tcp:", "lan:", "hislip:")
HERE = "here"  # this computer, by whichever of its addresses


def canonical(address: str) -> tuple[str, ...]:
    """Every name that the address may be known by, sorted. Never raises: what is not understood stands for itself."""
    text = address.strip()
    if "://" in text:
        return _of_url(text)
    if "::" not in text:
        return (f"serial:{_device(text)}",)
    kind, _, rest = text.partition("::")
    if kind.upper().startswith("ASRL"):
        return (f"serial:{_device(kind[4:])}",)
    return _of_visa(kind.upper(), rest.split("::"))


def hosts(name: str) -> list[str]:
    """The addresses that a host's name leads to; HERE for this computer; the name itself where it leads nowhere."""
    try:
        found = {str(each[4][0]).partition("%")[0] for each in socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)}
    except (OSError, UnicodeError):
        return [name.casefold().rstrip(".")]
    return sorted({HERE if _is_own(each) else each.casefold().removeprefix("::ffff:") for each in found})


def hosts_of(address: str) -> list[str]:
    """The hosts of a network address, as `hosts` names them; empty for a cable."""
    return [each.split(":", 1)[1].rpartition(":")[0] for each in canonical(address) if each.startswith(_NETWORK)]


def _is_own(address: str) -> bool:
    """Only an address of this computer can be bound."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.bind((address, 0))
    except OSError:
        return False
    return True


def _device(name: str) -> str:
    """A serial port by its device: /dev/serial/by-id names are links to it."""
    if os.name == "posix":
        return os.path.realpath(name) if name.startswith("/") else name.upper()
    upper = name.upper().removeprefix("\\\\.\\")
    return f"COM{upper}" if upper.isdigit() else upper


def _of_url(url: str) -> tuple[str, ...]:
    """pySerial's socket:// and rfc2217:// are TCP ports; its other kinds stand for themselves."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        return (url,)
    if parts.scheme not in ("socket", "rfc2217") or not parts.hostname or port is None:
        return (url,)
    return tuple(f"tcp:{each}:{port}" for each in hosts(parts.hostname))


def _of_visa(kind: str, parts: list[str]) -> tuple[str, ...]:
    """The parts of a VISA address (VPP-4.3, table of resource strings) with its defaults filled in."""
    board = re.search(r"\d+\Z", kind)
    place = int(board[0]) if board else 0
    if kind.startswith("TCPIP"):
        return _of_lan(parts)
    if kind.startswith("USB") and len(parts) >= 3:
        return (f"usb:{_number(parts[0])}:{_number(parts[1])}:{parts[2].upper()}",)
    if kind.startswith("GPIB") and parts:
        second = parts[1] if len(parts) > 1 and parts[1].isdigit() else "0"
        return (f"gpib:{place}:{_number(parts[0])}:{_number(second)}",)
    return ("::".join((kind, *parts)).upper(),)


def _of_lan(parts: list[str]) -> tuple[str, ...]:
    host, rest = parts[0], parts[1:]
    if rest and rest[-1].upper() == "SOCKET":
        return tuple(f"tcp:{each}:{_number(rest[0])}" for each in hosts(host))
    device = rest[0].casefold() if rest and rest[0].upper() != "INSTR" else "inst0"
    name, _, port = device.partition(",")
    if name.startswith("hislip"):
        return tuple(f"hislip:{each}:{name}:{port or 4880}" for each in hosts(host))
    return tuple(f"lan:{each}:{device}" for each in hosts(host))


def _number(text: str) -> str:
    """0x1AB1 and 6833 are one number."""
    try:
        return str(int(text, 0))
    except ValueError:
        return text.lstrip("0").upper() or "0"
