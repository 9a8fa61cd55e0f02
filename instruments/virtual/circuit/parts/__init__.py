"""Part kinds, one small file each; this registry finds them: each module holds one or more `Kind`s in KINDS."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterable, Mapping

from ..errors import CircuitError, nearest
from ..kind import Kind
from ..part import Part

_kinds: dict[str, Kind] = {}
_from: dict[str, str] = {}


def kinds() -> Mapping[str, Kind]:
    """Every part kind by name: ours, and what was added."""
    if not _kinds:
        for module in pkgutil.iter_modules(__path__):
            _add(importlib.import_module(f"{__name__}.{module.name}").KINDS, "")
    return _kinds


def add_kinds(more: Iterable[Kind], where: str) -> int:
    """Kinds from elsewhere; how many. ValueError for one whose name another place has."""
    kinds()
    wanted = tuple(more)
    taken = [kind.name for kind in wanted if kind.name in _kinds and _from[kind.name] != where]
    if taken:
        raise ValueError(f'the part kind "{taken[0]}" is taken, by {_from[taken[0]] or "Wakeboard itself"}')
    return _add(wanted, where)


def forget_added() -> None:
    """Only ours again."""
    for name in [name for name, where in _from.items() if where]:
        del _kinds[name], _from[name]


def _add(more: Iterable[Kind], where: str) -> int:
    count = 0
    for kind in more:
        if kind.name in _kinds and not where:
            raise RuntimeError(f"part kind {kind.name!r} defined twice")
        _kinds[kind.name] = kind
        _from[kind.name] = where
        count += 1
    return count


def kind_of(part: Part) -> Kind:
    """The kind of a part."""
    try:
        return kinds()[part.kind]
    except KeyError:
        raise CircuitError(
            f"{part.name}: no part kind {part.kind!r}; known: {', '.join(sorted(kinds()))}"
            f"{nearest(part.kind, kinds())}",
            [part.name],
        ) from None
