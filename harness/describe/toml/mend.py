"""A model of a file that has mistakes, so that what depends on other tables can be checked in the same go.

Mistaken values are taken out, and what is then missing is filled with placeholders: enough to check names, never to
run. What is then found at the places that were mended says nothing of the file: see `Document.mended`.
"""

from __future__ import annotations

import copy
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from wakeboard.harness.describe.toml.collect import in_file
from wakeboard.harness.describe.toml.positions import Path

M = TypeVar("M", bound=BaseModel)
_ROUNDS = 8  # a table in a table in a list: each level may show its own gaps only when the one above is whole
_TABLES = ("model_type", "model_attributes_type", "dict_type")
_FILL: dict[str, object] = {
    "volts": "1 V",
    "above": "1 V",
    "low": "< 1 V",
    "high": "> 2 V",
    "rate": "1 B/s",
    "ohms": "1 R",
    "bytes": 1,
    "board": {},
    "kind": "psu",
}
_NAME = "?"


def mend(model: type[M], data: dict[str, object]) -> tuple[M | None, tuple[Path, ...]]:
    """A whole model from mistaken data, and the paths that were mended; None where a top table's name is mistaken."""
    data = copy.deepcopy(data)
    places: list[Path] = []
    for _ in range(_ROUNDS):
        try:
            return model.model_validate(data), tuple(places)
        except ValidationError as error:
            for details in error.errors(include_url=False):
                path = in_file(data, details)
                if len(path) < 2 and details["type"] == "extra_forbidden":
                    return None, ()
                _mend(data, path, details)
                places.append(path)
    return None, ()


def _mend(data: dict[str, object], path: Path, error: ErrorDetails) -> None:
    parent: Any = data
    for key in path[:-1]:
        parent = parent[key]
    last = path[-1] if path else ""
    if error["type"] in _TABLES:
        parent[last] = {}
    elif error["type"] == "missing" and isinstance(parent, list):
        parent.append(_NAME)
    elif error["type"] == "missing":
        parent[last] = _FILL.get(str(last), _NAME)
    elif isinstance(parent, list):
        parent[int(last)] = _NAME  # not taken out: the others would get other numbers
    elif isinstance(parent, dict):
        parent.pop(last, None)
