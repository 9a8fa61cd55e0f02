"""Review rules, one file each: a module has `find(study) -> Iterator[Concern]`, and the rule has the module's name.

Ours are in this folder; a package or a board's own file brings more (harness/describe/registry.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.registry import Registry

if TYPE_CHECKING:
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.review.study.study import Study

Rule = Callable[["Study"], Iterator["Concern"]]


def _take(module: ModuleType) -> Iterator[tuple[str, Rule]]:
    if hasattr(module, "find"):
        yield Path(str(module.__file__)).stem, module.find


RULES: Final = Registry("review rule", __name__, _take)


def rules() -> Mapping[str, Rule]:
    """Every rule by its name."""
    return RULES.all()
