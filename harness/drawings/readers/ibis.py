"""IBIS: a chip's pins with their signals, and what rests in the tables of their models.

Read: [Component], [Pin], [Model Selector] (its first choice), [Model] with Model_type, Vinl, Vinh, [Voltage Range], the
references of the clamps, [GND Clamp], [POWER Clamp], [Pulldown], [Pullup], [Rgnd], [Rpower], [Add Submodel] of a bus
hold. A small reader of our own: kept ones stop at the first mistake without a column, and pass over submodels.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from wakeboard.harness.describe.problems import quoted
from wakeboard.harness.drawings.design import ChipFile, ChipPin, Design
from wakeboard.harness.drawings.ibis_rest import AtRest, Tables, at_rest, slope_ohms
from wakeboard.harness.drawings.source import Source, Trouble
from wakeboard.instruments.quantity import show

from . import Options

WHAT: Final = "IBIS"
_KEYWORD: Final = re.compile(r"\s*\[([^\]]+)\]\s*(.*)")
_NUMBER: Final = re.compile(r"([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)([TGMkmunpf]?)[A-Za-zΩ]*\Z")
_SCALE: Final = {
    "T": 1e12,
    "G": 1e9,
    "M": 1e6,
    "k": 1e3,
    "": 1.0,
    "m": 1e-3,
    "u": 1e-6,
    "n": 1e-9,
    "p": 1e-12,
    "f": 1e-15,
}
_TABLES: Final = ("gnd clamp", "power clamp", "pulldown", "pullup")
_CLAMPS: Final = ("gnd clamp", "power clamp")
_INPUTS: Final = ("input", "input_ecl", "input_diff")
_RESERVED: Final = {"power": "power", "gnd": "ground", "nc": "none"}
MOST_ROWS: Final = 200_000  # a bound on input, far above the files tried


def tells(source: Source) -> int:
    head = re.sub(r"_", " ", source.head.casefold())
    return 98 if re.search(r"^\s*\[ibis ver\]", head, re.MULTILINE) else 0


@dataclass
class _Component:
    name: str
    pins: dict[str, tuple[str, str, int]] = field(default_factory=dict)


@dataclass
class _File:
    source: Source
    trouble: Trouble
    mark: str = "|"
    components: list[_Component] = field(default_factory=list)
    models: dict[str, Tables] = field(default_factory=dict)
    submodels: dict[str, Tables] = field(default_factory=dict)
    selectors: dict[str, str] = field(default_factory=dict)
    added: dict[str, list[str]] = field(default_factory=dict)
    keyword: str = ""
    model: Tables | None = None
    model_name: str = ""
    selector: str = ""
    rows: int = 0


def read(source: Source, options: Options) -> Design:
    """The chip of the file: the component that a person's part is, or the first. Raises FileProblems."""
    file = _File(source, Trouble(source))
    for number, raw in enumerate(source.lines, 1):
        line = raw.split(file.mark, 1)[0].rstrip()
        if not line.strip():
            continue
        match = _KEYWORD.match(line)
        if match:
            keyword = " ".join(match[1].replace("_", " ").casefold().split())
            if keyword == "end":
                break
            _begin(file, number, keyword, match[2].strip(), line)
        else:
            _row(file, number, line)
    file.trouble.end()
    if not file.components or not file.components[0].pins:
        raise source.wrong(1, 0, "no component with pins", "[Component] and [Pin]")
    component = file.components[0]
    design = Design()
    if len(file.components) > 1:
        others = ", ".join(each.name for each in file.components[1:4])
        design.remarks.append(f"{source.short}: {component.name} taken; the file also has {others}")
    pins = {number: _pin(file, number, entry) for number, entry in component.pins.items()}
    design.chips.append(ChipFile(source.name, component.name, pins, options.part, WHAT))
    return design


# --- keywords -------------------------------------------------------------------------------------------------------
def _begin(file: _File, number: int, keyword: str, rest: str, line: str) -> None:
    file.keyword = keyword
    if keyword == "comment char":
        file.mark = rest[:1] or "|"
    elif keyword == "component":
        file.components.append(_Component(rest or "?"))
        file.model = None
    elif keyword == "model selector":
        file.selector = rest
    elif keyword in ("model", "submodel"):
        if not rest:
            file.trouble.add(number, 1, f"[{keyword}] without a name", "a name behind it")
        file.model_name = rest.split()[0] if rest else "?"
        file.model = Tables(line=number)
        (file.models if keyword == "model" else file.submodels)[file.model_name] = file.model
    elif keyword in ("voltage range", "power clamp reference"):
        found = _three(file, number, rest, line)
        if file.model is not None and keyword == "voltage range":
            file.model.voltage = found
        elif file.model is not None:
            file.model.power_reference = found
    elif keyword in ("rgnd", "rpower") and file.model is not None:
        ohms = _three(file, number, rest, line)[0]
        if keyword == "rgnd":
            file.model.rgnd = ohms or None
        else:
            file.model.rpower = ohms or None


def _row(file: _File, number: int, line: str) -> None:
    words = line.split()
    if file.keyword == "pin" and file.components:
        if len(words) < 3:
            file.trouble.add(number, 1, quoted(line.strip()), "pin, signal and model")
            return
        file.components[-1].pins[words[0]] = (words[1], words[2], number)
    elif file.keyword == "model selector":
        file.selectors.setdefault(file.selector, words[0])
    elif file.keyword == "add submodel":
        file.added.setdefault(file.model_name, []).append(words[0])
    elif file.keyword in ("model", "submodel") and file.model is not None:
        _parameter(file, number, line)
    elif file.keyword in _TABLES and file.model is not None:
        _table_row(file, number, words, line)


def _parameter(file: _File, number: int, line: str) -> None:
    words = line.replace("=", " ").split()
    key, value = words[0].casefold(), words[1] if len(words) > 1 else ""
    if file.model is None:
        return
    if key in ("model_type", "submodel_type"):
        file.model.kind = value.casefold()
        file.model.holds = file.model.kind == "bus_hold"
    elif key == "vinl":
        file.model.low_max = _number(file, number, value, line)
    elif key == "vinh":
        file.model.high_min = _number(file, number, value, line)


def _table_row(file: _File, number: int, words: list[str], line: str) -> None:
    file.rows += 1
    if file.model is None or file.rows > MOST_ROWS:
        return
    volts = _number(file, number, words[0], line)
    amps = [_number(file, number, word, line, missing=True) for word in words[1:4]]
    if volts is not None and amps:
        full = (*amps, None, None, None)
        file.model.rows.setdefault(file.keyword, []).append((volts, (full[0], full[1], full[2])))


def _three(file: _File, number: int, text: str, line: str) -> tuple[float | None, float | None, float | None]:
    found = [_number(file, number, word, line, missing=True) for word in text.split()[:3]]
    full = (*found, None, None, None)
    return full[0], full[1], full[2]


def _number(file: _File, number: int, word: str, line: str, *, missing: bool = False) -> float | None:
    if missing and word.upper() == "NA":
        return None
    match = _NUMBER.match(word)
    value = float(match[1]) * _SCALE[match[2]] if match else None
    if value is None or abs(value) > 1e30:
        file.trouble.add(number, line.find(word) + 1, quoted(word), "a number, such as 4.5V, -30uA or NA")
        return None
    return value


# --- pins -----------------------------------------------------------------------------------------------------------
def _pin(file: _File, number: str, entry: tuple[str, str, int]) -> ChipPin:
    signal, name, _ = entry
    if name.casefold() in _RESERVED:
        return ChipPin(signal, _RESERVED[name.casefold()])
    tables = file.models.get(name) or file.models.get(file.selectors.get(name, ""))
    if tables is None:
        return ChipPin(signal, io={"type": "analog"}, note=f"the file has no model {name}")
    tables.rows = {key: sorted(rows, key=lambda row: row[0]) for key, rows in tables.rows.items()}
    for sub in _added(file, name):  # a static clamp that only an undriven pin has
        if sub.kind == "dynamic_clamp":
            tables.rows = {**{key: rows for key, rows in sub.rows.items() if key in _CLAMPS}, **tables.rows}
    rest = at_rest(tables)
    where = f"{file.source.short}:{tables.line}, model {name}"
    hold = next((sub for sub in _added(file, name) if sub.holds), None)
    ohms = slope_ohms(hold.rows.get("pulldown", ())) if hold else None
    io = _io(tables, rest, where, hold=hold is not None, hold_ohms=ohms)
    return ChipPin(signal, "signal", io, tables.low_max, tables.high_min, _note(rest, where, hold is not None, ohms))


def _added(file: _File, name: str) -> list[Tables]:
    return [file.submodels[sub] for sub in file.added.get(name, ()) if sub in file.submodels]


def _io(tables: Tables, rest: AtRest, where: str, *, hold: bool, hold_ohms: float | None) -> dict[str, object]:
    io: dict[str, object] = {"type": _type(tables.kind)}
    if rest.drive_low and io["type"] != "input":
        io["ohms"] = show(rest.drive_low, "Ω", 3)
    for key, ohms, spread in (("pull_up", rest.up, rest.up_spread), ("pull_down", rest.down, rest.down_spread)):
        if ohms is not None:
            io[key] = show(ohms, "Ω", 4) + (f" ± {100 * spread:.0f} %" if spread >= 0.005 else "")
    if rest.up is None and rest.down is None:
        io["pulls"] = "both" if hold else "none"
    if hold_ohms is not None:
        io["pull_ohms"] = show(hold_ohms, "Ω", 3)
    if rest.leak:
        io["leak"] = show(-rest.leak, "A", 3)
    if not rest.to_rail:
        io["clamp"] = False
    io["source"] = where
    return io


def _type(kind: str) -> str:
    if kind in _INPUTS:
        return "input"
    if kind.startswith("open"):
        return "open_drain"
    if kind.startswith("output"):
        return "output"
    return "io" if kind.startswith(("i/o", "3-state")) else "analog"


def _note(rest: AtRest, where: str, hold: bool, hold_ohms: float | None) -> str:
    words = []
    if rest.up is not None or rest.down is not None:
        words.append("its tables show a pull that holds at rest")
    if hold:
        words.append("it keeps its last level" + (f" with {show(hold_ohms, 'Ω', 3)}" if hold_ohms else ""))
    if rest.to_ground and not rest.to_rail:
        words.append("a diode from ground, none to the rail")
    return "; ".join([where, *words])


__all__ = ["WHAT", "read", "tells"]
