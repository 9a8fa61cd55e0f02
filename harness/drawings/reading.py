"""The files of a drawing, read together: what `wakeboard new` and the comparison of revisions begin with.

design = read_all([Given("board.ipc"), Given("bom.csv"), …])      raises FileProblems
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from wakeboard.harness.describe.problems import FileProblems, Problem
from wakeboard.harness.drawings.design import Design, joined
from wakeboard.harness.drawings.parts.chips import fit_chips
from wakeboard.harness.drawings.readers import Options, read, reader_of
from wakeboard.harness.drawings.source import opened

Role = Literal["netlist", "bom", "places", "pins"]
_NEEDED: Final[Mapping[Role, str]] = {
    "netlist": "pins on nets",
    "bom": "values by reference",
    "places": "places by reference (columns X and Y)",
    "pins": "the pins of a chip",
}


@dataclass(frozen=True)
class Given:
    """A file and what a person gave it as; part: the part whose pins it describes."""

    file: str
    role: Role = "netlist"
    part: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)


def read_all(given: Iterable[Given]) -> Design:
    """One design of all files; a netlist's word stands before a list's."""
    order: list[Role] = ["netlist", "pins", "bom", "places"]
    files = sorted(given, key=lambda each: order.index(each.role))
    read_ones, problems = [], []
    for each in files:
        try:
            read_ones.append(_read(each))
        except FileProblems as error:
            problems += error.problems
    if problems:
        raise FileProblems(problems)
    whole = joined(read_ones)
    fit_chips(whole)
    return whole


def _read(given: Given) -> Design:
    source = opened(given.file)
    reader = reader_of(source)
    design = read(source, Options(given.columns, given.part))
    good: Mapping[Role, bool] = {
        "netlist": any(part.pins for part in design.parts.values()),
        "bom": any(part.value or part.number or part.fitted is not None for part in design.parts.values()),
        "places": any(part.x is not None for part in design.parts.values()) or bool(design.pads),
        "pins": bool(design.chips),
    }
    if not good[given.role]:
        problem = Problem(
            given.file, 1, f"--{given.role}", f"{reader.WHAT} without {_NEEDED[given.role]}", "a file with them"
        )
        raise FileProblems([problem])
    return design
