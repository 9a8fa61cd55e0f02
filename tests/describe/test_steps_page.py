"""The page on the steps has every kind, key and default of the models, and its examples are steps.

Names and limits are those of the invented board.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from wakeboard.harness.describe.sequence.sequence import read_steps
from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import step_kinds
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.run import steps
from wakeboard.instruments.quantity import parse

PAGE = (Path(steps.__file__).parent / "steps.md").read_text(encoding="utf-8")
KINDS = {name: kind for name, kind in step_kinds().items() if not kind.own}
SHARED = {field.alias or name for name, field in StepModel.model_fields.items()}


def rows(section: str) -> dict[str, str]:
    """Key -> where not given."""
    found = re.findall(r"^\| `(\w+)` \| .* \| ([^|]*) \|$", section, re.M)
    return {key: default.strip() for key, default in found}


def sections() -> dict[str, str]:
    return {part.partition("\n")[0]: part.partition("\n## ")[0] for part in PAGE.split("\n### ")[1:]}


def keys(model: type[BaseModel]) -> set[str]:
    return {field.alias or name for name, field in model.model_fields.items()} - SHARED


def test_the_page_has_the_kinds_that_there_are() -> None:
    assert set(sections()) == set(KINDS)
    assert set(rows(PAGE.partition("\n## ")[0])) == SHARED - {"do"}


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_and_its_default(kind: str) -> None:
    told = rows(sections()[kind])
    assert set(told) == keys(KINDS[kind].Model)
    for name, field in KINDS[kind].Model.model_fields.items():
        key = field.alias or name
        if key not in SHARED:
            assert agrees(told[key], None if field.is_required() else field.get_default(call_default_factory=True),
                          needed=field.is_required()), f"{kind}: {key}: {told[key]}"  # fmt: skip


def agrees(cell: str, default: object, needed: bool) -> bool:
    """Whether a cell says a default; one that is worked out, or is none, stands in plain words."""
    quoted = re.match(r"`([^`]*)`", cell)
    if needed or default in (None, (), {}):
        return (cell == "needed") == needed and quoted is None
    if quoted is None:
        return False
    text = quoted[1]
    if isinstance(default, bool):
        return text == str(default).lower()
    if isinstance(default, float | int):
        number = float(text[:-2]) / 100 if text.endswith(" %") else parse(text, "s") if text[-1] == "s" else float(text)
        return number == default
    return text == f'"{default[0] if isinstance(default, tuple) else default}"'


@pytest.mark.parametrize("kind", KINDS)
def test_the_examples_are_steps_and_show_every_key(kind: str) -> None:
    tables = tomllib.loads("\n".join(re.findall(r"```toml\n(.*?)```", sections()[kind], re.S)))["step"]
    document = Document("page", data={"step": tables})
    read_steps(document, tables)
    assert document.problems == []
    assert {table["do"] for table in tables} == {kind}
    assert {key for table in tables for key in table} - SHARED == keys(KINDS[kind].Model)


@pytest.mark.parametrize("kind", KINDS)
def test_what_a_failure_does(kind: str) -> None:
    said = "A failure stops the run." in " ".join(sections()[kind].split())
    assert said == KINDS[kind].stops


def test_a_wrong_default_is_seen() -> None:
    assert not agrees("`31 s`", 30.0, needed=False)
    assert not agrees("needed", None, needed=False)
    assert not agrees("thirty seconds", 30.0, needed=False)
