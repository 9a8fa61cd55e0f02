"""What a review finds wrong in a design."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

RULES: Final = (
    "backfeed", "phantom-power", "undefined-level", "weak-pull", "pin-conflict", "reserved-pin", "level-mismatch",
    "headroom", "dissipation", "inrush", "pull-up-window", "rating",
    "never-on", "divider", "rail-limits", "charge", "boot-mode", "supervisor", "gate-drive", "reverse-path",
    "crystal-load", "locked-out",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Concern:
    """One thing to look at before the board is made or powered.

    rule: one of RULES; serious: it can damage something or stop the board from working; nets: the nets concerned, the
    first is where it shows; path: parts from the cause to the effect; state: the bench state in which it is worst
    (BenchState key; "" where it holds in any); value with unit: the number that shows it; says: what is wrong; do: what
    to change. settles: what would settle it where it rests on what the drawing does not say; such a one is a question.
    """

    rule: str
    serious: bool
    nets: tuple[str, ...]
    says: str
    do: str
    path: tuple[str, ...] = ()
    state: str = ""
    value: float | None = None
    unit: str = ""
    settles: str = ""
    weight: float = field(default=0.0, compare=False)
    """How bad, for choosing the worst of several states that show the same thing."""
    beyond: float | None = field(default=None, compare=False)
    """How far it is past what is allowed, in `unit`, where neither value nor weight says it."""
    stated: bool = field(default=False, compare=False)
    """Whether a document of the part's maker shows the cause."""
    also: tuple[Concern, ...] = field(default=(), compare=False)
    """Other concerns that the same mistake raises: they go when it is mended, or are to be looked at then."""

    @property
    def key(self) -> tuple[object, ...]:
        """Concerns with the same key are one concern, seen in several states."""
        return (self.rule, self.nets, self.path)

    def as_json(self) -> dict[str, object]:
        """The keys of `wakeboard review --json`."""
        return {
            "rule": self.rule,
            "serious": self.serious,
            "nets": list(self.nets),
            "path": list(self.path),
            "state": self.state,
            "value": self.value,
            "unit": self.unit,
            "says": self.says,
            "do": self.do,
            **({"settles": self.settles} if self.settles else {}),
            "also": [{"rule": c.rule, "nets": list(c.nets), "says": c.says} for c in self.also],
        }
