"""What pulls a pin may hide when its data sheet says nothing: the table sequences/pulls.toml.

A pin is silent unless the board file states its pulls (`pull_up`, `pull_down`) or says that it has none
(`pulls = "none"`).
"""

from __future__ import annotations

import functools
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from wakeboard.instruments.quantity import parse_interval

# A pin's name tells most about what pulls hide in it; common practice, no source.
_RESET = re.compile(r"^N?_?(RST|RESET)|RST_?N?$|RESET_?N?$", re.IGNORECASE)
_STRAP = re.compile(r"BOOT|STRAP|CFG|MODE|(^|_)EN(_N)?$|ENABLE|RST|RESET", re.IGNORECASE)
_ENABLE = re.compile(r"^(N?EN|ENABLE|SHDN|CE)\d*$", re.IGNORECASE)


@dataclass(frozen=True)
class HiddenPull:
    """A range of ohms, the directions that are known, and where that is from."""

    low: float
    high: float
    up: bool
    down: bool
    source: str


@functools.cache
def pull_table() -> Mapping[str, HiddenPull]:
    """Every entry by name, "any" among them; kinds that pull nothing are left out."""
    text = resources.files("wakeboard.sequences").joinpath("pulls.toml").read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    entries = {"any": raw["any"], **raw["kinds"]}
    return {name: _entry(entry) for name, entry in entries.items() if entry["ohms"] != "none"}


def _entry(entry: Mapping[str, Any]) -> HiddenPull:
    span = parse_interval(entry["ohms"], "Ω")
    if span.low is None or span.high is None:
        raise ValueError(f"pulls.toml: {entry['ohms']!r} needs both ends")
    return HiddenPull(span.low, span.high, bool(entry["up"]), bool(entry["down"]), str(entry["source"]))


def is_silent(entry: Mapping[str, Any]) -> bool:
    """Whether a chip's io entry leaves open what the pin pulls."""
    if entry.get("pull_up") is not None or entry.get("pull_down") is not None:
        return False
    return "pulls" not in entry and entry.get("type") != "analog"


def matters(name: str) -> bool:
    """Whether a pin or net of this name resets, enables or straps: a pull there decides how the board starts."""
    return bool(_STRAP.search(name) or _RESET.search(name) or _ENABLE.search(name))


def hidden_pull(pin: str) -> HiddenPull:
    """What a silent pin of this name may hide."""
    table = pull_table()
    if _RESET.search(pin):
        return table["radio_reset"]
    if _ENABLE.search(pin):
        return table["enable"]
    return table["any"]
