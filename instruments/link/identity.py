"""Who answers: the parts of an *IDN? reply, where there are four; some makers send one word."""

from __future__ import annotations

import re
from dataclasses import dataclass

_SERIAL = re.compile(r"\bSN[:\s]*([A-Za-z0-9-]+)")
_WORDS = re.compile(r"[A-Za-z][A-Za-z0-9 &.*-]{2}")
_FIRMWARE = re.compile(r"\b(V\d[\w.]*)\s*\Z")


@dataclass(frozen=True, slots=True)
class Identity:
    """text: the reply as it came."""

    maker: str
    model: str
    serial: str
    firmware: str
    text: str


def like_identity(text: str) -> bool:
    """Whether an instrument may say so of itself: words to begin with, nearly all of it readable (some makers end with
    a stray byte), and not the replies to other questions."""
    tidy = text.strip().strip("\0")
    readable = sum(each.isascii() and each.isprintable() for each in tidy)
    return _WORDS.match(tidy) is not None and ";" not in tidy and readable >= 0.9 * len(tidy)


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
