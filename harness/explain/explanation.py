"""The answer of an explanation: groups of faults with their probabilities, lines, and what to measure next."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wakeboard.harness.explain.choose.least_effort import Choice

if TYPE_CHECKING:
    from wakeboard.harness.explain.choose.other_means import Way
    from wakeboard.harness.explain.evidence.roughness import ModelFit
    from wakeboard.harness.explain.lines.of_run import LineFinding
    from wakeboard.harness.explain.naming.repair import Repair
    from wakeboard.harness.explain.rank.weigh import Weighing
    from wakeboard.harness.explain.unit import units
    from wakeboard.harness.explain.unit.cases import Case


@dataclass(frozen=True)
class Group:
    """Explanations that these readings cannot tell apart, likeliest first.

    faults: texts of the likeliest (empty for none, and for something else); same: the other members' texts.
    accounts_for: odd readings that it explains; leaves: readings that it does not. common: its faults that most units
    share. u: relative standard uncertainties of the fitted values. bench: what a reference unit shows as well, which is
    why the bench is blamed for it. either: for each of `faults` all that may be there in its stead, with their shares
    of this group; ways: what would part these. place: the number of its likeliest candidate in the weighing.
    """

    name: str
    probability: float
    faults: tuple[str, ...]
    says: str
    accounts_for: tuple[str, ...] = ()
    leaves: tuple[str, ...] = ()
    same: tuple[tuple[str, float], ...] = ()
    common: tuple[str, ...] = ()
    u: tuple[float, ...] = ()
    bench: tuple[str, ...] = ()
    either: tuple[tuple[tuple[str, float], ...], ...] = ()
    ways: tuple[Way, ...] = ()
    place: int | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "fault": self.name, "probability": self.probability, "accounts_for": list(self.accounts_for),
            "leaves": list(self.leaves), "faults": list(self.faults), "says": self.says,
            "same": [{"fault": fault, "probability": p} for fault, p in self.same], "common": list(self.common),
            "u_relative": list(self.u), "bench": list(self.bench),
            "ways": [way.as_json() for way in self.ways],
        }  # fmt: skip


@dataclass(frozen=True)
class Explanation:
    """The answer. `groups` likeliest first; `odd`: readings that the drawn board does not predict; `as_drawn`: readings
    outside their limits that the drawn board itself gives (a flaw of the design, no fault of the unit)."""

    run: str
    unit: str
    board: str
    groups: tuple[Group, ...]
    lines: tuple[LineFinding, ...]
    next: tuple[Choice, ...] = ()
    odd: tuple[str, ...] = ()
    as_drawn: tuple[str, ...] = ()
    readings: int = 0
    common: tuple[units.Common, ...] = ()
    notes: tuple[str, ...] = ()
    arithmetic: tuple[str, ...] = ()
    seconds: float = 0.0
    bits: float = 0.0
    weighing: Weighing | None = field(default=None, repr=False, compare=False)
    case: Case | None = field(default=None, repr=False, compare=False)
    reference: Case | None = field(default=None, repr=False, compare=False)
    repairs: tuple[Repair, ...] = ()

    @property
    def fit(self) -> ModelFit | None:
        """How well the model fits; None without a circuit."""
        return None if self.weighing is None else self.weighing.fit

    @property
    def best(self) -> Group | None:
        return self.groups[0] if self.groups else None

    def as_json(self) -> dict[str, Any]:
        """The document of `wakeboard explain --json` (numbers in base units)."""
        return {
            "run": self.run, "unit": self.unit, "board": self.board,
            "candidates": [g.as_json() for g in self.groups],
            "next": [c.as_json() for c in self.next],
            "lines": [f.as_json() for f in self.lines], "repairs": [r.as_json() for r in self.repairs],
            "odd": list(self.odd), "as_drawn": list(self.as_drawn), "readings": self.readings,
            "common": [{"fault": c.text, "units": list(c.units)} for c in self.common],
            "notes": list(self.notes), "arithmetic": list(self.arithmetic), "seconds": self.seconds, "bits": self.bits,
            "model": None if self.fit is None else self.fit.as_json(),
        }  # fmt: skip
