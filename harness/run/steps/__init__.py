"""The kinds of step: one file a kind, found here.

    kinds()["power on"].Model      the pydantic model of its table in a sequence file
    kinds()["power on"].run        run(context, model): takes the readings; what it raises ends the run

A module in this folder is a step kind when it has KIND (the word that `do` takes), Model and run. Modules that start
with an underscore are shared by several kinds.
"""

from __future__ import annotations

import functools
import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wakeboard.harness.run.steps._model import StepModel


@dataclass(frozen=True)
class StepKind:
    """One kind of step. `stops`: whether a failure of it ends the run where the step does not say `on_fail`;
    `energises`: whether it switches an output on."""

    name: str
    Model: type[StepModel]
    run: Callable[..., None]
    stops: bool
    summary: str
    energises: bool = False


@functools.cache
def kinds() -> Mapping[str, StepKind]:
    """Every step kind by the word that `do` takes."""
    names = sorted(module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_"))
    found = [_kind(importlib.import_module(f"{__name__}.{name}")) for name in names]
    return {kind.name: kind for kind in found}


def _kind(module: Any) -> StepKind:
    missing = [name for name in ("KIND", "Model", "run") if not hasattr(module, name)]
    if missing:
        raise TypeError(f"the step kind {module.__name__} has no {' and no '.join(missing)}")
    summary = (module.__doc__ or "").strip().partition("\n")[0]
    return StepKind(
        module.KIND,
        module.Model,
        module.run,
        getattr(module, "STOPS", False),
        summary,
        getattr(module, "ENERGISES", False),
    )
