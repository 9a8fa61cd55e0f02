"""From pydantic's errors to problems: one model against one table of a document, all that is wrong at once."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.positions import Path

M = TypeVar("M", bound=BaseModel)

_ALLOWED = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "list_type": "a list in square brackets",
    "tuple_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "date_type": "a date, such as 2026-01-31",
}


def validated(model: type[M], document: Document, path: Path = ()) -> M | None:
    """The table at `path` as a model; None where it has problems, which are then in the document."""
    data = document.at(path)
    try:
        return model.model_validate(data)
    except ValidationError as error:
        for details in error.errors(include_url=False):
            _add(document, model, path, data, details)
        return None


def _add(document: Document, model: type[BaseModel], path: Path, data: object, error: ErrorDetails) -> None:
    kind, loc, context = error["type"], in_file(data, error), error.get("ctx", {})
    found, allowed, hint = quoted(error["input"]), _ALLOWED.get(kind, error["msg"].lower()), ""
    if kind == "refused":
        found, allowed, hint = context["found"], context["allowed"], context.get("hint", "")
    elif kind == "missing":
        found, allowed = "nothing", _description(model, error["loc"])
    elif kind == "extra_forbidden":
        known = _keys(_model_at(model, error["loc"][:-1]))
        found, allowed, hint = f"the unknown key {quoted(loc[-1])}", one_of(known, 20), nearest(loc[-1], known)
    elif kind == "literal_error":
        choices = re.findall(r"'([^']*)'", context["expected"])
        allowed, hint = one_of(map(quoted, choices)), nearest(error["input"], choices)
    document.add((*path, *loc), found, allowed, hint)


def in_file(data: Any, error: ErrorDetails) -> Path:
    """The part of pydantic's location that stands in the file: it also names branches of unions."""
    node, path = data, []
    for key in error["loc"]:
        try:
            node = node[key]
        except (KeyError, IndexError, TypeError):
            continue
        path.append(key)
    if error["type"] == "missing":
        path.append(error["loc"][-1])
    return tuple(path)


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


def _description(model: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    inner = _model_at(model, loc[:-1])
    for name, field in (inner.model_fields if inner else {}).items():
        if loc[-1] in (name, field.alias):
            return f"{field.description or 'a value'} (needed)"
    return "a value (needed)"


def _model_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel] | None:
    """The model of the table at a location: through fields, members of dicts and lists, and branches of unions."""
    here: object = model
    for key in loc:
        models = list(_models(here))
        fields = [
            field.annotation
            for each in models
            for name, field in each.model_fields.items()
            if key in (name, field.alias)
        ]
        here = fields[0] if fields else here
    found = list(_models(here))
    return found[0] if found else None


def _models(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models(argument)
