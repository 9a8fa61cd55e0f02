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
_RESET = re.compile(r"RST|RESET|(^|_)[NX]?RES[NXB]?(_?N)?$", re.IGNORECASE)
_STRAP = re.compile(r"BOOT|STRAP|CFG|MODE", re.IGNORECASE)
_ENABLE = re.compile(
    r"ENABLE|SHDN|SHUT|PWDN|PDWN|STBY|STANDBY|SLEEP|SLP|MUTE|HIBER|(^|_)[NX]?(EN|CE|OE|PD|PDN|ON)\d*(_?[NL#])?$|"
    r"(^|_)(NSD|SD_?N)$",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"^[A-Z]{0,2}\d+$", re.IGNORECASE)


@dataclass(frozen=True)
class HiddenPull:
    """A range of ohms, the directions that are known, and where that is from."""

    low: float
    high: float
    up: bool
    down: bool
    source: str

    @property
    def guessed(self) -> bool:
        """Whether nobody saw such a pull: the range is an estimate."""
        return self.source.startswith("estimate")


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


def is_silent(entry: Mapping[str, object]) -> bool:
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


def may_hide(pin: str, net: str, processor: bool = False) -> HiddenPull | None:
    """What a chip's silent pin on a net may hide; None for a pin of no such function.

    Pulls hide where a part must be held while nobody drives it: in resets, enables and straps. Of an ordinary input,
    bus or output they are hardly ever heard of, and a processor's other pins come up released: a pull there
    would be set by its program. Common practice, no source. A pin that has a number for a name goes by its net.
    """
    name = net if _NUMBER.match(pin) and not processor else pin
    table = pull_table()
    if _RESET.search(name):
        return table["microcontroller_reset" if processor else "radio_reset"]
    if _STRAP.search(name):
        return table["strap_four_level"]
    return table["enable"] if _ENABLE.search(name) and not processor else None
