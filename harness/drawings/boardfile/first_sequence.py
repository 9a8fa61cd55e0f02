"""A first power-on sequence for a board that a drawing made: unpowered shorts, then one source at a time.

Supplies whose voltage a person still has to say are left out until then; every limit is a careful guess and says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from wakeboard.harness.drawings.boardfile.draft import Draft, toml
from wakeboard.harness.drawings.boardfile.proposal import Row

LIMITS: Final = {"usb": "100 mA"}
LIMIT: Final = "50 mA"
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
        texts += _powered(row, bool(rails), bool(lines), others=len(supplies) > 1 or bool(rails))
    return "\n".join(texts)


def _powered(row: Row, rails: bool, lines: bool, *, others: bool) -> Iterable[str]:
    limit = LIMITS.get(str(row.table.get("kind", "")), LIMIT)
    texts: list[str] = []
    texts += _step({"do": "power on", "supply": row.name, "limit": limit, "ramp": "0.5 V every 20 ms"}, row.fill)
    if others:
        texts += _step({"do": "back-feed", "expect": "< 0.3 V"}, "does any other supply, or a rail that is off, rise?")
    if rails:
        texts += _step({"do": "rails"})
    if lines:
        texts += _step({"do": "line", "of": "every line", "state": "boot"})
    return [*texts, *_step({"do": "power off", "supply": row.name})]


def _step(table: dict[str, Any], says: str = "") -> list[str]:
    rows = [f"{key} = {toml(value)}" for key, value in table.items()]
    if says:
        rows[0] = f"{rows[0]:<31}# {says}"
    return ["[[step]]", *rows, ""]
