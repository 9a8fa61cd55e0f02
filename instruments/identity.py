"""Who answers: the parts of an *IDN? reply, where there are four; some makers send one word."""

from __future__ import annotations

import re
from dataclasses import dataclass

_SERIAL = re.compile(r"\bSN[:\s]*([A-Za-z0-9-]+)")
_FIRMWARE = re.compile(r"\b(V\d[\w.]*)\s*\Z")


@dataclass(frozen=True, slots=True)
class Identity:
    """text: the reply as it came."""

    maker: str
    model: str
    serial: str
    firmware: str
    text: str


def parse_identity(text: str) -> Identity:
    """Any text: four comma fields (IEEE 488.2, 10.14), or words as some makers send them ("TENMA 72-2540 V2.1")."""
    tidy = text.strip().strip("\0").strip()
    fields = [each.strip().strip("\0") for each in tidy.split(",", 3)]
    if len(fields) >= 2:
        fields += [""] * (4 - len(fields))
        return Identity(fields[0], fields[1].removeprefix("MODEL ").strip(), fields[2], fields[3], text)
    words = tidy.split()
    serial, firmware = _SERIAL.search(tidy), _FIRMWARE.search(tidy)
    return Identity(
        words[0] if words else "",
        words[1] if len(words) > 1 else "",
        serial[1] if serial else "",
        firmware[1] if firmware else "",
        text,
    )
