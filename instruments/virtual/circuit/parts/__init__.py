"""Part kinds, one small file each; this registry finds them: each module holds one or more `Kind`s in KINDS."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from ..errors import CircuitError, nearest
from ..kind import Kind
from ..part import Part


@cache
def kinds() -> dict[str, Kind]:
    """Every part kind by name."""
    found: dict[str, Kind] = {}
    for module in pkgutil.iter_modules(__path__):
        for kind in importlib.import_module(f"{__name__}.{module.name}").KINDS:
            if kind.name in found:
                raise RuntimeError(f"part kind {kind.name!r} defined twice")
            found[kind.name] = kind
    return found


def kind_named(name: str) -> Kind:
    """The kind of that name; CircuitError with the nearest name otherwise."""
    try:
        return kinds()[name]
    except KeyError:
        raise CircuitError(
            f"no part kind {name!r}; known: {', '.join(sorted(kinds()))}{nearest(name, kinds())}"
        ) from None


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
