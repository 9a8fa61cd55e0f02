"""What mends a concern: for a rule that has a usual way out, the change in the words of a plan.

    mends(board, concern)      the changes to try, the smallest first; [] where a person has to think

A mender proposes, it proves nothing: what it proposes is judged like any other change.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Final, Literal

from wakeboard.harness.explain.lines.bodge import PullRange, bodge
from wakeboard.harness.explain.lines.line_model import Driver, Rail, Thresholds
from wakeboard.harness.revise.plan import Change
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board, Line
    from wakeboard.harness.review.concern import Concern
    from wakeboard.instruments.virtual.circuit.part import Part

LEAK_AMPS: Final = 1e-6
"""Leakage of what hangs on a line (logic data sheets: ±1 µA at most)."""


def mends(board: Board, concern: Concern) -> list[Change]:
    """Changes that usually mend such a concern."""
    found = _MENDERS.get(concern.rule)
    return list(found(board, concern)) if found else []


# --- a rail that should be off is fed through pull-ups --------------------------------------------------------------
def _pull_ups_moved(board: Board, concern: Concern) -> Iterator[Change]:
    """Pull-ups that stand on another rail than the chips whose pins they feed go to those chips' rail."""
    rail = concern.nets[0]
    if rail not in {each.net for each in board.rails.values()}:
        return
    found = list(_strangers(board, rail))
    if found:
        names = " and ".join(part.name for part, _ in found)
        yield Change(
            title=f"{names}: from {found[0][0].pins[found[0][1]]} to {rail}",
            why=f"they feed {rail} through the clamp diodes of its chips while it is off ({concern.says})",
            do=tuple(f"{part.name}.{pin}:net={rail}" for part, pin in found),
            mends=(f"{concern.rule} {rail}",),
        )


def _strangers(board: Board, rail: str) -> Iterator[tuple[Part, str]]:
    """(resistor, its pin on a rail) of pull-ups from another rail to lines that a chip on this rail clamps."""
    others = {each.net for each in board.rails.values()} | {each.net for each in board.supplies.values()}
    lines = _clamped(board, rail)
    for part in board.parts.values():
        if part.kind == "resistor":
            for pin, net in part.pins.items():
                far = next((at for other, at in part.pins.items() if other != pin), net)
                if net in others - {rail} and far in lines:
                    yield part, pin


def _clamped(board: Board, rail: str) -> set[str]:
    """Nets with a pin of a chip on this rail that conducts into it."""
    found = set()
    for part in board.parts.values():
        supply = next(iter(part.values.get("supply", {})), "VDD")
        for pin, entry in part.values.get("io", {}).items():
            if part.pins.get(entry.get("rail") or supply) == rail and entry.get("clamp", True) is not False:
                found.add(part.pins[pin])
    return found - {rail, board.ground}


# --- a line that its pull does not hold -----------------------------------------------------------------------------
def _stronger_pull(board: Board, concern: Concern) -> Iterator[Change]:
    """The line's resistor by the arithmetic of a bodge, against what its pins state or may hide."""
    for line in board.lines.values():
        if line.net == concern.nets[0] and line.when.get("boot") in ("low", "high"):
            change = line_pull(board, line, concern.says)
            if change is not None:
                yield change
            return


def line_pull(board: Board, line: Line, because: str) -> Change | None:
    """What holds a line at its level at boot in the worst case; None where no resistor does, or none is called for."""
    hold: Literal["low", "high"] = "low" if line.when["boot"] == "low" else "high"
    limits = _thresholds(board, line)
    rails = {rail.net: _rail(rail.volts.nominal, rail.volts.low, rail.net) for rail in board.rails.values()
             if rail.volts is not None and not rail.on_when}  # fmt: skip
    if limits is None:
        return None
    try:
        found = bodge(
            line.net, hold, limits, [p for p in _pulls(board, line) if p.to in (*rails, "GND")], rails,
            _driver(board, line), leak_amps=LEAK_AMPS,
        )  # fmt: skip
    except ValueError:
        return None
    if found.fit_ohms is None:
        return None
    return pull_change(board, line, found.across, found.fit_ohms, found.replace_ohms, found.to, because, found.says)


def pull_change(
    board: Board, line: Line, across: str | None, fit: float, replace: float | None, to: str, because: str, says: str
) -> Change:
    """A bodge, drawn: the resistor's new value where it lies across one, else a resistor of its own."""
    to = board.ground if to == "GND" else to
    if across is not None and replace is not None:
        was = show(float(board.parts[across].values["value"]), "Ω")
        title, do = f"{across}: {show(replace, 'Ω')} instead of {was}", f"{across}:value={_marked(replace)}"
    else:
        title, do = f"{show(fit, 'Ω')} from {line.net} to {to}", f"{line.net}+{to}:bridge={_marked(fit)}"
    return Change(title=title, why=f"{because}. Worst case: {says}", do=(do,))


def _marked(ohms: float) -> str:
    for scale, letter in ((1e6, "M"), (1e3, "k")):
        if ohms >= scale:
            return f"{ohms / scale:g}{letter}"
    return f"{ohms:g}"


def _rail(volts: float, low: float, net: str) -> Rail:
    return Rail(net, volts, volts - low)


def _thresholds(board: Board, line: Line) -> Thresholds | None:
    from wakeboard.harness.describe.board.levels import LevelError, line_thresholds

    try:
        found = line_thresholds(board, line)
    except LevelError:
        return None
    return Thresholds(found.low_max, found.high_min)


def _pulls(board: Board, line: Line) -> Iterator[PullRange]:
    """Fitted resistors, pulls that are stated, and what silent pins may hide the other way."""
    from wakeboard.harness.review.pulls import hidden_pull, is_silent

    for part in board.parts.values():
        if part.kind == "resistor" and line.net in part.pins.values():
            far = next((net for net in part.pins.values() if net != line.net), line.net)
            to = "GND" if far == board.ground else far
            yield PullRange.of_part(part.name, float(part.values["value"]), part.tolerance.get("value", 0.05), to)
        supply = next(iter(part.values.get("supply", {})), "VDD")
        for pin, entry in part.values.get("io", {}).items():
            if part.pins.get(pin) == line.net:
                rail = part.pins.get(entry.get("rail") or supply, "")
                yield from _inside(part, pin, entry, rail)
                if is_silent(entry):
                    hidden = hidden_pull(pin)
                    to = rail if line.when["boot"] == "low" else "GND"
                    if hidden.up if to == rail else hidden.down:
                        middle = (hidden.low * hidden.high) ** 0.5
                        yield PullRange(f"inside {part.name}.{pin}", middle, hidden.low, hidden.high, to, fitted=False)


def _inside(part: Part, pin: str, entry: Mapping[str, object], rail: str) -> Iterator[PullRange]:
    for key, to in (("pull_up", rail), ("pull_down", "GND")):
        ohms = entry.get(key)
        if isinstance(ohms, int | float) and ohms > 0:
            spread = part.tolerance.get(f"{pin}.{key}", 0.3)
            yield PullRange(f"{part.name}.{pin}", ohms, ohms * (1 - spread), ohms * (1 + spread), to, fitted=False)


def _driver(board: Board, line: Line) -> Driver | None:
    from wakeboard.harness.describe.board.levels import rail_of

    name, _, pin = (line.driven_by or "").partition(".")
    part = board.parts.get(name)
    if part is None:
        return None
    entry = part.values.get("io", {}).get(pin, {})
    ohms, rated = float(entry.get("ohms") or 100.0), float(entry.get("max") or 4e-3)
    return Driver(f"{name}.{pin}", rated, ohms * 1.5, rail_of(board, line) or 3.3)


_MENDERS: Final[Mapping[str, Callable[[Board, Concern], Iterator[Change]]]] = {
    "phantom-power": _pull_ups_moved,
    "weak-pull": _stronger_pull,
    "undefined-level": _stronger_pull,
}
