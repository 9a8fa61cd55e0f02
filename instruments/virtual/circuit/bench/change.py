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
        same = not (other.values or other.factors)
        values = self.values  # the same object where it is the same: many changes share it
        if not same:
            scaled = {path: self.values[path] * f for path, f in other.factors.items() if path in self.values}
            values = {**self.values, **other.values, **scaled}
        both = Change(
            (*self.faults, *other.faults),
            values,
            {**self.setting_errors, **other.setting_errors},
            self.factors,
            self.seed if other.seed is None else other.seed,
        )
        if same:
            both.__dict__["_values_key"] = self._values_key  # as cached_property keeps it
        return both

    @cached_property
    def key(self) -> tuple[Any, ...]:
        """What tells it from other changes."""
        return (
            tuple(map(str, self.faults)), self._values_key, tuple(sorted(self.setting_errors.items())), self.seed
        )  # fmt: skip

    @cached_property
    def _values_key(self) -> _Key:
        return _Key(sorted((k, str(v)) for k, v in self.values.items()))


class _Key(tuple[object, ...]):
    """A long key that is hashed once: it is looked up in every state."""

    _hash: int

    def __hash__(self) -> int:
        if not hasattr(self, "_hash"):
            self._hash = super().__hash__()
        return self._hash


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
        if change.setting_errors:
            off = {path: values[path] * (1 + e) for path, e in change.setting_errors.items() if path in values}
            values = {**values, **off}
        return Variant(change.faults, values, change.seed, self.moves, change.values)


DRAWN = Change()
"""The board as drawn."""
