"""What two parts do differently on the nets that they share: levels, drivers, supplies, as sentences.

    for text in differences(board, "U8", entry, pairs): ...

Told is what a drawing and an entry of the part book say themselves, at nominal volts; the worst case over all states is
the review's, whose shares of a rail are taken.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from wakeboard.harness.review.rules.level_mismatch import ABOVE_RAIL, RECOGNISED
from wakeboard.harness.revise.swap.counterparts import Pair
from wakeboard.instruments.quantity import QuantityError, parse, show

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.drawings.parts.book import Entry
    from wakeboard.instruments.virtual.circuit.part import Part

WEAKER: Final = 2.0  # times the ohms, of the amperes: what is worth a sentence
_DRIVES: Final = ("io", "output")
_UNITS: Final = {"ohms": "Ω", "max": "A", "reads_high": "V", "reads_low": "V", "draws": "A", "above": "V",
                 "voltage": "V"}  # fmt: skip


def differences(board: Board, name: str, entry: Entry, pairs: Sequence[Pair]) -> Iterator[str]:
    """Of a part on the board and an entry in its place, pair by pair; nothing where either is silent."""
    part = board.parts[name]
    nets = {each.new: part.pins[each.old] for each in pairs}
    for each in pairs:
        was = _row(part.values.get("io", {}), each.old)
        now = _row(entry.table.get("io", {}), each.new)
        if was is not None and now is not None:
            yield from _driver(board, part, each, was, now)
        if now is not None and now.get("type", "io") in ("io", "input"):
            yield from _levels(board, name, each.new, nets, now, entry)
        yield from _supply(part, entry, each)
    yield from _rating(part, entry)


def _row(table: Mapping[str, object], pin: str) -> Mapping[str, object] | None:
    found = table.get(pin)
    return dict(found) if isinstance(found, Mapping) else None


# --- who drives -----------------------------------------------------------------------------------------------------
def _driver(
    board: Board, part: Part, pair: Pair, was: Mapping[str, object], now: Mapping[str, object]
) -> Iterator[str]:
    net, before, after = part.pins[pair.old], was.get("type", "io"), now.get("type", "io")
    if before in _DRIVES and after == "open_drain":
        ups = _pull_ups(board, net)
        held = f"{', '.join(ups)} pulls it up" if ups else "it needs a pull-up"
        yield f"{pair.new} only pulls {net} low, where {pair.old} drove it high too: {held}"
    elif before in (*_DRIVES, "open_drain") and after in ("input", "analog"):
        yield f"{pair.new} cannot drive {net}, as {pair.old} could"
    elif before == "input" and after == "output":
        others = _drivers(board, net, part.name)
        yield f"{pair.new} drives {net}, where {pair.old} only read it" + (
            f": against {', '.join(others)}" if others else ""
        )
    for key, says in (("ohms", "drives {} through {}, {} before"), ("max", "may carry {1} on {0}, {2} before")):
        old, new = _si(was.get(key), key), _si(now.get(key), key)
        if old is None or new is None or after in ("input", "analog"):
            continue
        if (new > WEAKER * old) if key == "ohms" else (new * WEAKER < old):
            yield f"{pair.new} " + says.format(net, show(new, _UNITS[key]), show(old, _UNITS[key]))


def _pull_ups(board: Board, net: str) -> list[str]:
    rails = {row.net for table in (board.rails, board.supplies) for row in table.values()} - {board.ground}
    return [each.name for each in board.parts.values()
            if each.kind == "resistor" and net in each.pins.values() and rails & set(each.pins.values())]  # fmt: skip


def _drivers(board: Board, net: str, but: str) -> list[str]:
    return [
        f"{each.name}.{pin}"
        for each in board.parts.values()
        if each.name != but
        for pin, row in each.values.get("io", {}).items()
        if each.pins.get(pin) == net and row.get("type", "io") == "output"
    ]


# --- levels ---------------------------------------------------------------------------------------------------------
def _levels(
    board: Board, name: str, pin: str, nets: Mapping[str, str], now: Mapping[str, object], entry: Entry
) -> Iterator[str]:
    """What others put on the net as high, against what the new input takes and stands."""
    found = _highest(board, nets[pin], name)
    rail = rail_volts(board, now, dict(entry.table.get("supply", {})), nets)
    if found is None:
        return
    high, who = found
    if rail is not None and high > rail[0] + ABOVE_RAIL and now.get("clamp", True):
        yield (f"{pin} is lifted to {show(high, 'V')} by {who}, and its own rail {rail[1]} has {show(rail[0], 'V')}: "
               "its clamp conducts unless its data sheet says otherwise")  # fmt: skip
    needed = _si(now.get("reads_high"), "reads_high") or (RECOGNISED * rail[0] if rail else None)
    if needed is not None and high < needed:
        yield f"{pin} takes a level as high from {show(needed, 'V')}, and {who} gives {show(high, 'V')}"


def rail_volts(
    board: Board, row: Mapping[str, object], supply: Mapping[str, object], nets: Mapping[str, str]
) -> tuple[float, str] | None:
    """(V, net) of the rail that a pin drives and clamps to; None where nobody says."""
    pin = row.get("rail") or ("VDD" if "VDD" in supply else next(iter(supply), None))
    net = nets.get(str(pin))
    volts = None if net is None else net_volts(board, net)
    return None if net is None or volts is None else (volts, net)


def _highest(board: Board, net: str, but: str) -> tuple[float, str] | None:
    """(V, who) of the highest that another part drives or pulls a net to."""
    found: list[tuple[float, str]] = []
    for each in board.parts.values():
        if each.name == but or net not in each.pins.values():
            continue
        if each.kind == "resistor" and len(each.pins) == 2:
            far = next((other for other in each.pins.values() if other != net), net)
            volts = net_volts(board, far)
            found += [] if volts is None else [(volts, each.name)]
        for pin, row in each.values.get("io", {}).items():
            rail = rail_volts(board, row, each.values.get("supply", {}), each.pins)
            if each.pins.get(pin) == net and row.get("type", "io") in _DRIVES and rail is not None:
                found.append((rail[0], f"{each.name}.{pin}"))
    return max(found, default=None)


def net_volts(board: Board, net: str) -> float | None:
    """The most that a rail or supply is meant to have, V."""
    rows = [row for table in (board.rails, board.supplies) for row in table.values() if row.net == net]
    found = [row.volts.nominal for row in rows if row.volts is not None and row.volts.nominal is not None]
    return max(found, default=None)


# --- supplies -------------------------------------------------------------------------------------------------------
def _supply(part: Part, entry: Entry, pair: Pair) -> Iterator[str]:
    was, now = _row(part.values.get("supply", {}), pair.old), _row(entry.table.get("supply", {}), pair.new)
    if was is None or now is None:
        return
    for key, says in (("draws", "draws {}, {} before"), ("above", "works from {} on, {} before")):
        old, new = _si(was.get(key), key), _si(now.get(key), key)
        if old is not None and new is not None and abs(new - old) > 0.05 * max(abs(old), abs(new)):
            yield f"{pair.new} " + says.format(show(new, _UNITS[key]), show(old, _UNITS[key]))


def _rating(part: Part, entry: Entry) -> Iterator[str]:
    old = part.ratings.get("voltage")
    new = _si(dict(entry.table.get("max", {})).get("voltage"), "voltage")
    if old is not None and new is not None and new < old * (1 - 1e-9):
        yield f"it stands {show(new, 'V')}, {show(old, 'V')} before"


def _si(found: object, key: str) -> float | None:
    """A value of a board's model, or as text of an entry."""
    if isinstance(found, int | float) and not isinstance(found, bool):
        return float(found)
    try:
        return None if found is None else parse(str(found).split("±")[0].strip(), _UNITS[key])
    except QuantityError:
        return None
