"""What the pages show of a run, as one document: the newest replaces the one before, so any of them may be lost.

picture = Picture(title="First power-on", unit="SK-A-001", steps=["Shorts", …])
picture.put(power="LIVE: USB on, 5 V, limit 100 mA")
picture.document()                                     plain data, with the age of what was measured

Values are replaced, never changed: who reads takes the whole as it is, and waits for nobody.
"""

from __future__ import annotations

import math
import re
import threading
import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wakeboard.harness.run.guard.core import Envelope, Sample

NAMES = {"enter": "\r"}
OFF, NOT_OFF = "All outputs off", "NOT CONFIRMED OFF"
MOST_STEPS = 200  # of the list on the page; the report has all


class Picture:
    """Written by the runner's loop and by what a page sends; read by the thread that sends it."""

    def __init__(self, **first: object) -> None:
        self._state: dict[str, object] = {
            "supplies": [], "power": "", "step": None, "steps": [], "reading": None, "moving": "", "prompt": None,
            "stop": None, "ended": None, "smoke": None, "cautions": [], "warnings": [], "proved": False, "spell": 0,
            **first,
        }  # fmt: skip
        self._writing = threading.Lock()  # held for the one assignment only
        self._seen: float | None = None  # when the guard's samples were last taken in
        self.changed = threading.Event()

    def get(self, key: str) -> Any:
        return self._state.get(key)

    def put(self, **what: object) -> None:
        with self._writing:
            self._state = {**self._state, **what, "spell": self._spell(what)}
        self.changed.set()

    def _spell(self, what: Mapping[str, object]) -> int:
        """Counts how often power came or went: a reading of another spell is none of the board as it is now."""
        spell, power = self._state["spell"], self._state["power"]
        assert isinstance(spell, int)
        return spell + (is_live(what.get("power", power)) != is_live(power))

    def looked(self) -> None:
        """What the supplies say was taken in just now."""
        self._seen = time.monotonic()

    def document(self) -> dict[str, object]:
        """Everything, and how old the supplies' values are, s."""
        seen = self._seen
        return {**of_one_mind(self._state), "age": None if seen is None else round(time.monotonic() - seen, 2)}


def is_live(power: object) -> bool:
    """Whether this says that an output is on."""
    return str(power or "").startswith("LIVE")


def of_one_mind(state: Mapping[str, object]) -> Mapping[str, object]:
    """Where the guard has confirmed a stop, what the runner has yet to notice is off already."""
    stop = state["stop"]
    if not isinstance(stop, Mapping) or stop["off"] is None:
        return state
    if state["ended"] is not None or not is_live(state["power"]):
        return state
    power = OFF if stop["off"] else f"{NOT_OFF}: {stop['says']}"
    return {**state, "power": power, "supplies": []}


def supply_row(name: str, envelope: Envelope, sample: Sample | None) -> dict[str, Any]:
    """A supply that is on: what was set, what the guard holds it to, what it says."""
    most = envelope.limit if envelope.most_amps is None else envelope.most_amps
    return {
        "name": name,
        "set": envelope.volts,
        "limit": envelope.limit,
        "trip": most,
        "margin": envelope.margin_volts,
        "volts": _number(sample.volts) if sample else None,
        "amps": _number(sample.amps) if sample else None,
        "mode": sample.mode if sample else "",
    }


def keys_of(text: str) -> list[dict[str, str]]:
    """The keys of a prompt, as the terminal shows them ("Enter: it is so   s: skip"), with what each sends."""
    found = []
    for part in re.split(r"\s{2,}", text.strip()):
        key, separator, says = part.partition(": ")
        if separator:
            found.append({"key": NAMES.get(key.casefold(), key), "name": key, "says": says})
    return found


def first_net(detail: str) -> str:
    """The net that a prompt is about."""
    found = re.search(r"\bnet (\S+)", detail)
    return found[1] if found else ""


def answered_steps(steps: Sequence[Mapping[str, object]], step: Mapping[str, object]) -> list[Mapping[str, object]]:
    """The list of steps with one more that is done."""
    return [*steps, step][-MOST_STEPS:]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
