"""Chips whose own files (IBIS, BSDL) were read, put onto the parts of the drawing.

Which part a file is for is what a person said, else the one part whose value or part number fits the component's name,
else the one part whose pin numbers all stand in the file.
"""

from __future__ import annotations

import re
from typing import Final

from wakeboard.harness.describe.problems import FileProblems, Problem, nearest, one_of
from wakeboard.harness.drawings.design import ChipFile, ChipPin, Design, DrawnPart, Where
from wakeboard.harness.drawings.references import split

_WORD: Final = re.compile(r"[^A-Za-z0-9_]+")
_GROUND: Final = re.compile(r"^[ADPS]?(?:GND|VSS)[A-Z0-9_]*$", re.IGNORECASE)
_POWER: Final = re.compile(r"^[ADP]?V(?:DD|CC|IO|BAT|PP|REG|IN|DDA|DDIO|CCIO)[A-Z0-9_]*$", re.IGNORECASE)


def fit_chips(design: Design) -> None:
    """Give each chip's file to its part. Raises FileProblems where a file fits none, or several."""
    for chip in design.chips:
        part = _part_of(design, chip)
        _give(part, chip)


def _part_of(design: Design, chip: ChipFile) -> DrawnPart:
    if chip.part:
        if chip.part in design.parts:
            return design.parts[chip.part]
        allowed, hint = one_of(design.parts, 15), nearest(chip.part, design.parts)
        raise FileProblems([Problem(chip.file, 0, "--pins", f'the part "{chip.part}"', allowed, hint)])
    candidates = [part for part in design.parts.values() if part.pins and not part.model]
    named = [part for part in candidates if _same(chip.component, part.value, part.number)]
    fitting = [
        part for part in candidates
        if len(part.pins) > 2 and set(part.pins) <= set(chip.pins) and split(part.name)[0] in ("U", "IC", "Q", "N", "D")
    ]  # fmt: skip
    for found in (named, fitting):
        if len(found) == 1:
            return found[0]
    several = named or fitting
    what = f"{chip.component or chip.what}, which fits " + (
        f"{', '.join(part.name for part in several[:8])}" if several else "no part by name or pins"
    )
    raise FileProblems([Problem(chip.file, 0, "--pins", what, f"the part it is for: --pins U1={chip.file}")])


def _same(component: str, *texts: str) -> bool:
    wanted = _WORD.sub("", component).upper()
    found = [_WORD.sub("", text).upper() for text in texts if text]
    return len(wanted) >= 3 and any(len(text) >= 3 and (text in wanted or wanted in text) for text in found)


def _give(part: DrawnPart, chip: ChipFile) -> None:
    names = _names(part, chip)
    pins: dict[str, str] = {}
    supply: dict[str, object] = {}
    io: dict[str, object] = {}
    for number, net in part.pins.items():
        pin = chip.pins.get(number, ChipPin("", "signal"))
        name = names[number]
        if name in pins and pins[name] == net:
            continue  # several pins of one name on one net are one pin of the model
        pins[name] = net
        if pin.role == "power":
            supply[name] = {}
        elif pin.role == "signal" and name != "GND":
            io[name] = dict(pin.io) or {"type": "analog"}
            part.notes[name] = pin.note
            if pin.low_max is not None and pin.high_min is not None:
                part.thresholds[net] = (pin.low_max, pin.high_min)
    part.said["model"] = Where(f"{chip.what} {chip.file}", 0)
    if "GND" not in pins or not supply:
        part.pin_names.update(names)  # not enough for a model: the names are worth having
        part.thresholds.clear()
        return
    part.model = {"kind": "chip", "pins": pins, "supply": supply, "io": io}


def _names(part: DrawnPart, chip: ChipFile) -> dict[str, str]:
    """number -> a name of letters and digits; one name for one net."""
    names: dict[str, str] = {}
    nets: dict[str, str] = {}
    for number, net in part.pins.items():
        pin = chip.pins.get(number)
        name = "GND" if pin and pin.role == "ground" else plain_name(pin.signal if pin else "") or f"P{number}"
        if nets.setdefault(name, net) != net:
            name = f"{name}_{number}"
            nets[name] = net
        names[number] = name
    return names


def plain_name(signal: str) -> str:
    """A pin's name in letters and digits; a mark for "active low" becomes _N."""
    low = signal[:1] in ("/", "~", "!", "\\") or signal[-1:] in ("#", "*", "~", "\\")
    plain = _WORD.sub("_", signal).strip("_")
    return f"{plain}_N" if low and plain else plain


def role_of(signal: str) -> str:
    """power, ground or signal, by the name alone."""
    if _GROUND.match(signal):
        return "ground"
    return "power" if _POWER.match(signal) else "signal"
