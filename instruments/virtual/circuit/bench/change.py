"""A board that differs from the drawn one, and what the bench sets: the two halves of a circuit to solve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from wakeboard.instruments.virtual.circuit.faults.fault import Fault

from ..model import Variant
from .parts import is_supply


@dataclass(frozen=True)
class Change:
    """A board that differs from the drawn one: faults, and values of parts ("PART.value")."""

    faults: tuple[Fault, ...] = ()
    values: Mapping[str, Any] = field(default_factory=dict)
    setting_errors: Mapping[str, float] = field(default_factory=dict)  # relative, of what the bench sets
    factors: Mapping[str, float] = field(default_factory=dict)  # path -> what a value set already is multiplied by
    seed: int | None = None  # a specimen: every part drawn within its tolerance

    def plus(self, other: Change) -> Change:
        """Both changes; what `other` sets holds over what this one does."""
        values = {**self.values, **other.values}
        for path, factor in other.factors.items():
            if path in self.values:
                values[path] = self.values[path] * factor
        return Change(
            (*self.faults, *other.faults),
            values,
            {**self.setting_errors, **other.setting_errors},
            self.factors,
            self.seed if other.seed is None else other.seed,
        )

    @cached_property
    def key(self) -> tuple[Any, ...]:
        """What tells it from other changes."""
        values = tuple(sorted((k, str(v)) for k, v in self.values.items()))
        return (tuple(map(str, self.faults)), values, tuple(sorted(self.setting_errors.items())), self.seed)


@dataclass(frozen=True)
class Scene:
    """One operating point: what the bench sets, and where the ohmmeter's leads are."""

    values: Mapping[str, Any]
    moves: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def key(self) -> tuple[object, ...]:
        return (tuple(sorted(self.values.items())), tuple(sorted(self.moves.items())))

    @cached_property
    def supplies(self) -> tuple[object, ...]:
        """The part of the key that says what is powered."""
        return tuple(sorted((k, v) for k, v in self.values.items() if is_supply(k)))

    def variant(self, change: Change) -> Variant:
        """The board with this change, in this scene."""
        values = self.values
        if change.values or change.setting_errors:
            values = {**change.values, **values}
            for path, share in change.setting_errors.items():
                if path in values:
                    values[path] = values[path] * (1 + share)
        return Variant(change.faults, values, change.seed, self.moves)


DRAWN = Change()
"""The board as drawn."""
