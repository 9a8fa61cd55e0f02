"""The answer of an explanation, with what stands behind it. What of it lasts is said in results/explanation.py."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from wakeboard.harness.explain.choose.least_effort import Choice
from wakeboard.results.explanation import CommonFault, ExplanationDocument, Group, Repair

if TYPE_CHECKING:
    from wakeboard.harness.explain.evidence.roughness import ModelFit
    from wakeboard.harness.explain.lines.of_run import LineFinding
    from wakeboard.harness.explain.rank.weigh import Weighing
    from wakeboard.harness.explain.unit.cases import Case
    from wakeboard.harness.explain.unit.units import Common


@dataclass(frozen=True, kw_only=True)
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
    common: tuple[Common, ...] = ()
    notes: tuple[str, ...] = ()
    arithmetic: tuple[str, ...] = ()
    seconds: float = 0.0
    bits: float = 0.0
    weighing: Weighing | None = field(default=None, repr=False, compare=False)
    case: Case | None = field(default=None, repr=False, compare=False)
    others: tuple[Case, ...] = field(default=(), repr=False, compare=False)  # who were weighed along
    reference: Case | None = field(default=None, repr=False, compare=False)
    repairs: tuple[Repair, ...] = ()

    @property
    def fit(self) -> ModelFit | None:
        """How well the model fits; None without a circuit."""
        return None if self.weighing is None else self.weighing.fit

    @property
    def best(self) -> Group | None:
        return self.groups[0] if self.groups else None

    def as_json(self) -> dict[str, object]:
        """The document of `wakeboard explain --json` (numbers in base units)."""
        return self.document().as_json()

    def document(self) -> ExplanationDocument:
        """What of it is written down."""
        return ExplanationDocument(
            run=self.run,
            unit=self.unit,
            board=self.board,
            groups=self.groups,
            next=tuple(choice.told() for choice in self.next),
            lines=tuple(line.told() for line in self.lines),
            repairs=self.repairs,
            odd=self.odd,
            as_drawn=self.as_drawn,
            readings=self.readings,
            common=tuple(CommonFault(each.text, each.units) for each in self.common),
            notes=self.notes,
            arithmetic=self.arithmetic,
            seconds=self.seconds,
            bits=self.bits,
            model=None if self.fit is None else self.fit.as_json(),
        )
