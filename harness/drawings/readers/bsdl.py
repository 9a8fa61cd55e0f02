"""BSDL (IEEE 1149.1): which pin number has which name and direction, and which pins the test port owns."""

from __future__ import annotations

import re
from typing import Final

from wakeboard.harness.drawings.design import ChipFile, ChipPin, Design
from wakeboard.harness.drawings.parts.chips import role_of
from wakeboard.harness.drawings.source import Source

from . import Options

WHAT: Final = "BSDL"
_ENTITY: Final = re.compile(r"\bentity\s+([A-Za-z]\w*)\s+is\b", re.IGNORECASE)
_PORT: Final = re.compile(r"\bport\s*\(", re.IGNORECASE)
_DECLARED: Final = re.compile(
    r"([A-Za-z]\w*(?:\s*,\s*[A-Za-z]\w*)*)\s*:\s*(inout|in|out|buffer|linkage)\s+bit(?:_vector\s*\(\s*([0-9]+)\s+(to|downto)\s+([0-9]+)\s*\))?",
    re.IGNORECASE,
)
_MAP: Final = re.compile(r"\bconstant\s+(\w+)\s*:\s*PIN_MAP_STRING\s*:=\s*((?:\"[^\"]*\"\s*&?\s*)+)", re.IGNORECASE)
_MAPPED: Final = re.compile(r"([A-Za-z]\w*)\s*:\s*(\([^)]*\)|[A-Za-z0-9_]+)")
_TAP: Final = re.compile(r"\battribute\s+TAP_SCAN_(\w+)\s+of\s+(\w+)\s*:", re.IGNORECASE)
_TYPES: Final = {"in": "input", "out": "output", "buffer": "output", "inout": "io", "linkage": "analog"}


def tells(source: Source) -> int:
    head = re.sub(r"--[^\n]*", "", source.head)
    return 90 if _ENTITY.search(head) and (_PORT.search(head) or "STD_1149_1" in head.upper()) else 0


def read(source: Source, options: Options) -> Design:
    """Raises FileProblems for a file without ports or without a pin map."""
    text = re.sub(r"--[^\n]*", lambda match: " " * len(match[0]), source.text)
    entity, mapping = _ENTITY.search(text), _MAP.search(text)
    if entity is None:
        raise source.wrong(1, 1, "no entity", "entity NAME is …")
    if mapping is None:
        line = text.count("\n", 0, entity.start()) + 1
        raise source.wrong(line, 1, f"the entity {entity[1]} without a pin map", "constant NAME : PIN_MAP_STRING := …")
    types = {name: direction for names, direction in _ports(text) for name in names}
    taps = {match[2].casefold(): match[1].upper() for match in _TAP.finditer(text)}
    pins: dict[str, ChipPin] = {}
    joined = "".join(re.findall(r'"([^"]*)"', mapping[2]))
    for match in _MAPPED.finditer(joined):
        numbers = [each.strip() for each in match[2].strip("()").split(",") if each.strip()]
        for index, number in enumerate(numbers):
            name = match[1] if len(numbers) == 1 else f"{match[1]}_{index}"
            pins[number] = _pin(name, match[1], types, taps)
    if not pins:
        raise source.wrong(text.count("\n", 0, mapping.start()) + 1, 1, "a pin map without pins", '"NAME : NUMBER, …"')
    return Design(chips=[ChipFile(source.name, entity[1], pins, options.part, WHAT)])


def _ports(text: str) -> list[tuple[list[str], str]]:
    return [
        ([name.strip().casefold() for name in match[1].split(",")], match[2].casefold())
        for match in _DECLARED.finditer(text)
    ]


def _pin(name: str, port: str, types: dict[str, str], taps: dict[str, str]) -> ChipPin:
    direction = types.get(port.casefold(), "inout")
    role = role_of(port) if direction == "linkage" else "signal"
    tap = taps.get(port.casefold(), "")
    note = f"test port ({tap})" if tap else ""
    return ChipPin(name, role, {"type": _TYPES.get(direction, "io")}, note=note)
