"""A first power-on sequence for a board that a drawing made: unpowered shorts, then one source at a time.

Supplies whose voltage a person still has to say are left out until then; every limit is a careful guess and says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from wakeboard.harness.drawings.boardfile.draft import Draft, toml
from wakeboard.harness.drawings.boardfile.proposal import Row
from wakeboard.harness.drawings.parts.kinds import PartLine

LIMITS: Final = {"usb": "100 mA"}
LIMIT: Final = "50 mA"
_JOINS: Final = ("resistor", "fuse", "ptc", "inductor", "ferrite")
_RISES: Final = "does any other supply, or a rail that is off, rise?"
_CAUTIONS: Final = (
    "# The first minutes of a board that was never powered: unpowered shorts, then one source at a time.",
    "# CAUTION. A current limit does not make a short safe, and capacitors stay charged. Never do a first power-on",
    "# with a lithium cell fitted: let the supply stand in for it. Every limit here is a guess: set it to what the",
    "# board needs.",
)


def first_sequence(draft: Draft) -> str:
    """The text of first-power-on.toml."""
    proposal = draft.proposal
    supplies = [row for row in proposal.supplies if row.active]
    rails = [row for row in proposal.rails if row.active]
    lines = [row for row in proposal.lines if row.active]
    texts = [*_CAUTIONS, 'title = "First power-on"', 'board = "board.toml"', ""]
    texts += _step({"do": "resistance", "of": "every supply", "expect": "> 1 kΩ"}, "unpowered: is any supply shorted?")
    if rails:
        texts += _step({"do": "resistance", "of": "every rail", "expect": "> 100 Ω"})
    for row in supplies:
        isolated = _back_feed(draft, [each for each in supplies if each is not row], rails)
        texts += _powered(row, bool(rails), bool(lines), isolated)
    return "\n".join(texts)


def _back_feed(draft: Draft, supplies: list[Row], rails: list[Row]) -> list[str]:
    """The steps that look for what rises, so that a good board passes: what a charger charges stands at the end of its
    charge while no cell is there, and what a boost feeds at its input less a diode while it is off."""
    others = [*supplies, *rails]
    charged = _charged(draft)
    fed = _behind(draft, {*charged, *(str(row.table["net"]) for row in rails if _is_boosted(draft, row))})
    left = [row.name for row in others if row.table["net"] not in fed]
    if len(left) == len(others):
        return _step({"do": "back-feed", "expect": "< 0.3 V"}, _RISES) if others else []
    steps = _step({"do": "back-feed", "of": left, "expect": "< 0.3 V"}, _RISES) if left else []
    for row in supplies:
        if volts := charged.get(str(row.table["net"])):
            says = "at the end of charge while no cell is there: above, another source feeds it"
            steps += _step({"do": "volts", "of": row.name, "expect": f"< {volts}"}, says)
    if unasked := [row.name for row in rails if row.table["net"] in fed]:
        why = "a boost that is off passes its input on, a charger feeds what is behind its output"
        steps += [f"# not looked at above: {', '.join(unasked)}: {why}", ""]
    return steps


def _behind(draft: Draft, nets: set[str]) -> set[str]:
    """The nets, and those that resistors, fuses and coils join to them."""
    joins = [line for line in draft.parts.values() if line.fitted and line.kind in _JOINS]
    found, before = set(nets), set[str]()
    while found != before:
        before = set(found)
        for line in joins:
            ends = set(line.nets) - {draft.ground}
            found |= ends if len(ends) == 2 and ends & before else set()
    return found


def _charged(draft: Draft) -> dict[str, str]:
    """Net of a cell -> the most that a charger puts there while it is open, with some for its tolerance."""
    lines = [line for line in draft.parts.values() if line.fitted and line.kind in ("charger", "programmed_charger")]
    return {net: _most(line.table.get("volts", "4.2 V")) for line in lines if (net := _pin(line, "BAT"))}


def _most(volts: object) -> str:
    from wakeboard.instruments.quantity import parse, show

    nominal = str(volts).partition("±")[0]
    return show(round(1.02 * parse(nominal, "V"), 2), "V")


def _is_boosted(draft: Draft, rail: Row) -> bool:
    """Whether a boost feeds a rail: one with a model, or a diode out of an inductor."""
    net = str(rail.table["net"])
    lines = [line for line in draft.parts.values() if line.fitted]
    coils = {net for line in lines if line.kind == "inductor" for net in line.nets}
    return any(
        (line.kind in ("boost", "adjustable_boost") and _pin(line, "OUT") == net)
        or (line.kind in ("diode", "schottky") and _pin(line, "K") == net and _pin(line, "A") in coils)
        for line in lines
    )


def _pin(line: PartLine, pin: str) -> str:
    pins = line.table.get("pins")
    return str(pins.get(pin, "")) if isinstance(pins, dict) else ""


def _powered(row: Row, rails: bool, lines: bool, isolated: Iterable[str]) -> Iterable[str]:
    limit = LIMITS.get(str(row.table.get("kind", "")), LIMIT)
    texts: list[str] = []
    texts += _step({"do": "power on", "supply": row.name, "limit": limit, "ramp": "0.5 V every 20 ms"}, row.fill)
    texts += isolated
    if rails:
        texts += _step({"do": "rails"})
    if lines:
        texts += _step({"do": "line", "of": "every line", "state": "boot"})
    return [*texts, *_step({"do": "power off", "supply": row.name})]


def _step(table: dict[str, object], says: str = "") -> list[str]:
    rows = [f"{key} = {toml(value)}" for key, value in table.items()]
    if says:
        rows[0] = f"{rows[0]:<31}# {says}"
    return ["[[step]]", *rows, ""]
