"""Numbers and texts as a page shows them: quantities with prefixes, limits, times, outcomes and faults in words."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping, Sequence

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_SCALED = frozenset({"V", "A", "Ω", "F", "H", "W", "s", "Hz", "B/s", "B"})
MINUS, NOTHING = "−", "–"

OUTCOME_WORDS: Mapping[str, str] = {
    "pass": "pass",
    "fail": "fail",
    "marginal": "marginal",
    "skipped": "skipped",
    "tripped": "tripped",
    "error": "bench error",
    "stopped": "stopped",
    "": "not finished",
}


def show(value: float | None, unit: str = "", digits: int = 4) -> str:
    """3.302 V, 11.2 mA, 13 kΩ: `digits` significant digits, without trailing zeros."""
    if value is None or not math.isfinite(value):
        return NOTHING
    scale, prefix = _prefix(float(f"{value:.{digits}g}"), unit)  # rounded first: 0.99999 mA is 1 mA, not 1000 µA
    return f"{_digits(value / scale, digits)} {prefix}{unit}".strip()


def _prefix(value: float, unit: str) -> tuple[float, str]:
    size = abs(value)
    if unit == "%":
        return 0.01, ""  # shares are kept as fractions
    if unit not in _SCALED or size == 0 or (unit == "V" and 0.1 <= size < 1):  # 0.3 V is said of limits, not 300 mV
        return 1.0, ""
    rounded = size * (1 + 1e-9)
    return next(((s, p) for s, p in _PREFIXES if rounded >= s), _PREFIXES[-1])


def _digits(number: float, digits: int) -> str:
    if number == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(number))))
    text = f"{number:.{min(places, 12)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", MINUS)


def show_measured(value: float | None, u: float | None, unit: str = "") -> str:
    """A measured value with no more digits than its expanded uncertainty 2u lets stand, two at least, six at most."""
    if value is None or not u or value == 0 or not math.isfinite(value):
        return show(value, unit)
    digits = math.floor(math.log10(abs(value))) - math.floor(math.log10(2 * u)) + 1
    return show(value, unit, min(6, max(2, digits)))


def show_pair(low: float | None, high: float | None, unit: str = "") -> str:
    """Limits as the files write them: "3.2 .. 3.4 V", "< 0.3 V", "> 1 kΩ"; empty where there are none."""
    if low is None and high is None:
        return ""
    if low is None:
        return f"< {show(high, unit)}"
    if high is None:
        return f"> {show(low, unit)}"
    scale, prefix = _prefix(max(abs(low), abs(high)), unit)
    return f"{_digits(low / scale, 4)} .. {_digits(high / scale, 4)} {prefix}{unit}".strip()


def show_uncertainty(u: float | None, unit: str = "") -> str:
    """The expanded uncertainty ± 2u, two digits."""
    return "" if u is None else f"± {show(2 * u, unit, 2)}"


def limits_words(limits: Sequence[tuple[float | None, float | None]], unit: str = "") -> str:
    """What a check is allowed; where judgements ask for what no value can be, each of them, and that they do."""
    told = [words for words in (show_pair(low, high, unit) for low, high in limits) if words]
    return " and also ".join(told) + (" (steps ask for different levels)" if len(told) > 1 else "")


_METER = re.compile(r";? ?load=10MΩ$")
_KNOWN = re.compile(r"load=([0-9.]+)([kM]?)Ω$")
_LOAD = re.compile(r";? ?load=[^;]*$")


def state_words(state: str) -> str:
    """A bench state without what goes without saying: the meter's own 10 MΩ, and that nothing was on."""
    words = _KNOWN.sub(_resistor, _METER.sub("", state))
    return "" if words == "off" else words


def _resistor(found: re.Match[str]) -> str:
    """load=9.99001kΩ -> 10 kΩ load: a resistor beside the meter's own 10 MΩ is told by what is written on it."""
    ohms = float(found[1]) * {"": 1.0, "k": 1e3, "M": 1e6}[found[2]]
    alone = 1 / (1 / ohms - 1 / METER_OHMS) if ohms < METER_OHMS else ohms
    return f"{show(alone, 'Ω', 3)} load"


METER_OHMS = 10e6  # what the meter's own input loads a point with, in the states that this page names


def check_words(text: str) -> str:
    """A check's text with its bench state in words: "RADIO_RST dc volts, USB=5V@120mA"."""
    what, comma, state = text.partition(", ")
    words = state_words(state)
    return what + (f", {words}" if comma and words else "")


def state_without_load(state: str) -> str:
    """What was powered and driven, whatever lay across the point."""
    words = _LOAD.sub("", state)
    return "" if words == "off" else words


def load_words(state: str, *, alone: bool) -> str:
    """What lay across the point: "10 kΩ load"; of the meter's own input only where another load is told beside it."""
    if _METER.search(state):
        return "" if alone else "meter only"
    found = _KNOWN.search(state)
    return _resistor(found) if found else ""


def when(seconds: float | None) -> str:
    """Wall-clock time in UTC: the same text on every machine."""
    if seconds is None:
        return NOTHING
    stamp = datetime.datetime.fromtimestamp(seconds, datetime.UTC)
    return stamp.strftime("%Y-%m-%d %H:%M UTC")


def duration(seconds: float | None) -> str:
    """42 s, 3 min 20 s; prefixes below a second."""
    if seconds is None:
        return NOTHING
    if seconds < 60:
        return show(seconds, "s", 3)
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s"


def and_list(words: list[str]) -> str:
    """a, b and c."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + (f" and {words[-1]}" if words else "")


def short_units(units: list[str] | tuple[str, ...]) -> dict[str, str]:
    """Serial numbers without what all of them begin with: SK-A-001, SK-A-002 -> 001, 002."""
    if len(units) < 2:
        return {unit: unit for unit in units}
    first, last = min(units), max(units)
    shared = next((i for i, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), min(len(first), len(last)))
    cut = max((i + 1 for i, char in enumerate(first[:shared]) if char in "-_. /"), default=0)
    return {unit: unit[cut:] or unit for unit in units}


# Fault texts, as every command writes them, in plain words.
_PIN_FAULTS = {
    "pull_up": "inside {part} about {value} pulls {pin} up",
    "pull_down": "inside {part} about {value} pulls {pin} down",
    "stuck": "{part} holds {pin} {value}",
    "net": "pin {pin} of {part} is on {value}",
}
_PART_FAULTS = {
    "open": "{part} is open",
    "short": "{part} is shorted",
    "reversed": "{part} is fitted the wrong way round",
    "missing": "{part} is missing",
    "dead": "{part} does nothing",
    "value": "{part} has the wrong value, about {value}",
    "variant": "{part} is the wrong variant, {value}",
}


def fault_words(fault: str) -> str:
    """A fault text in the words of a colleague; a text of another form is given back as it is."""
    bridge = re.fullmatch(r"(.+?)\+([^+:]+|\+[^:]+):bridge=(.+)", fault)
    if bridge:
        return f"{bridge[1]} and {bridge[2]} are bridged, about {_ohms(bridge[3])}"
    found = re.fullmatch(r"([^:]+):([a-z_]+)(?:=(.+))?", fault)
    if not found:
        return fault
    place, kind, value = found[1], found[2], found[3] or ""
    part, _, pin = place.partition(".")
    pattern = _PIN_FAULTS.get(kind) if pin else _PART_FAULTS.get(kind)
    if pattern is None:
        return fault
    return pattern.format(part=part, pin=pin, value=_ohms(value) if kind.startswith("pull") else value)


def _ohms(text: str) -> str:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([kMm]?)\s*Ω?", text.strip())
    return f"{found[1]} {found[2]}Ω" if found else text
