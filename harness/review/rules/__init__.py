"""Review rules, one file each; this registry finds them: each module has `find(study) -> Iterator[Concern]`."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Iterator
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.review.study import Study

Rule = Callable[["Study"], Iterator["Concern"]]


@cache
def rules() -> dict[str, Rule]:
    """Every rule by its module's name, in alphabetical order."""
    names = sorted(module.name for module in pkgutil.iter_modules(__path__))
    return {name: importlib.import_module(f"{__name__}.{name}").find for name in names}
