"""Reply texts into values. Total: any text gives a value or raises ReplyError, nothing else."""

from __future__ import annotations

import math
import re
from typing import Final

from wakeboard.instruments.dialect import NUMBER

_NUMBER: Final = re.compile(rf"\A\s*{NUMBER}\s*[A-Za-z%Ω]*\s*\Z")
_YES: Final = frozenset({"1", "+1", "ON", "YES", "TRUE", "1/ON"})
_NO: Final = frozenset({"0", "+0", "-0", "OFF", "NO", "FALSE", "0/OFF"})
_ERROR: Final = re.compile(r"\A\s*(?P<code>[+-]?\d{1,9})\s*[,;]?\s*(?P<text>.*)\Z", re.DOTALL)
_UNIT: Final = re.compile(r"[-+.\w\"'#(@*][^~^|`<>{}\\]*\Z|\Z")  # how a unit of a reply begins, and what none holds
MOST: Final = 400  # characters of a reply that is looked at by a pattern


class ReplyError(Exception):
    """A reply that the question cannot have; `why` for a person."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why


def searched(reply: str, pattern: str) -> dict[str, str]:
    """The named groups (or the first group, or the whole, as "value") of a pattern in a reply."""
    found = re.search(pattern, reply[:MOST])
    if found is None:
        raise ReplyError(f"it is not of the form {pattern}")
    groups = {name: text for name, text in found.groupdict().items() if text is not None}
    return groups or {"value": found[1] if found.re.groups and found[1] is not None else found[0]}


def number(reply: str, pattern: str | None = None) -> float:
    """A number; units behind it and a sign before it are taken."""
    text = searched(reply, pattern).get("value", "") if pattern else reply
    found = _NUMBER.match(text[:MOST])
    if found is None:
        raise ReplyError("it is no number")
    value = float(found["value"])
    if not math.isfinite(value):
        raise ReplyError("it is no finite number")
    return value


def truth(reply: str, pattern: str | None = None) -> bool:
    """ON/OFF, 1/0, YES/NO, "0/OFF": makers differ. With a pattern: the group "yes" or a word of these."""
    word = reply
    if pattern:
        groups = searched(reply, pattern)
        if "yes" in groups or "value" not in groups:
            return "yes" in groups
        word = groups["value"]
    word = word.strip().strip('"').upper()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise ReplyError("it is neither on nor off")


def integer(reply: str) -> int:
    """A register: "12", "+12", "12.0", "0x0224"."""
    text = reply.strip()
    try:
        if text[:2].lower() == "0x":
            return int(text[2:8], 16)
        value = number(text)
    except ValueError:
        raise ReplyError("it is no register value") from None
    if value != int(value) or not 0 <= value < 1 << 32:
        raise ReplyError("it is no register value")
    return int(value)


def error_entry(reply: str) -> tuple[int, str]:
    """An entry of the error queue: `-222,"Data out of range"`, `0  No Error`, `+0,"No error"`."""
    found = _ERROR.match(reply[:MOST])
    if found is None:
        raise ReplyError("it is no entry of an error queue")
    return int(found["code"]), found["text"].strip().strip('"').strip()


def channels_of(reply: str) -> list[str]:
    """The numbers in a channel list: "(@101,103:105)", "#14(@101)", or empty."""
    found = re.search(r"\(@([\d,:\s]{0,380})\)", reply[:MOST])
    if found is None:
        raise ReplyError("it is no channel list")
    names: list[str] = []
    for part in filter(None, (each.strip() for each in found[1].split(","))):
        names += _range(part)
    return names


def _range(part: str) -> list[str]:
    first, _, last = part.partition(":")
    try:
        low, high = int(first), int(last or first)
    except ValueError:
        raise ReplyError("it is no channel list") from None
    if not low <= high <= low + 999:
        raise ReplyError("it is no channel list")
    return [str(each) for each in range(low, high + 1)]


def like_reply(reply: str) -> bool:
    """Whether it may be an instrument's reply to some question: nothing, or numbers, words and what separates them
    (IEEE 488.2, 8.7). What a wrong baud rate or a bad cable makes of one is not."""
    tidy = reply.strip("\0\r\n ")
    return tidy.isascii() and (not tidy or tidy.isprintable()) and all(map(_UNIT.match, split_units(tidy)))


def split_units(reply: str) -> list[str]:
    """The units of a response message (IEEE 488.2, 8.4.1): separated by semicolons outside of quotes."""
    if '"' not in reply:
        return [each.strip() for each in reply.split(";")]
    units, quoted, start = [], False, 0
    for place, sign in enumerate(reply):
        if sign == '"':
            quoted = not quoted
        elif sign == ";" and not quoted:
            units.append(reply[start:place].strip())
            start = place + 1
    return [*units, reply[start:].strip()]
