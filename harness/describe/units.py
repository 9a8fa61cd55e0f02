"""The units file of a demonstration: which faults are planted in which unit of the virtual bench.

units = load_units("units.toml")
units.plants("SK-A-003")        ("U5.NRST:pull_up=13k", "+3V3+GND:bridge=2")     the common ones first
"""

from __future__ import annotations

from pydantic import Field, PrivateAttr

from wakeboard.harness.describe.board.board import Board
from wakeboard.harness.describe.board.twice import planted_twice
from wakeboard.harness.describe.problems import Problem
from wakeboard.harness.describe.toml.document import Document
from wakeboard.harness.describe.toml.fields import Named, Names, Table, give_names
from wakeboard.harness.describe.toml.positions import Path
from wakeboard.instruments.virtual.circuit.errors import CircuitError


class Unit(Named):
    """One specimen, by serial number. `plant`: fault texts as `--plant` takes them."""

    says: str = ""
    plant: Names = ()


class Every(Table):
    """What holds for every unit."""

    plant: Names = ()


class Units(Table):
    board: str = Field("board.toml", min_length=1, description="the board file")
    every: Every = Every()
    units: dict[str, Unit] = Field(min_length=1, description="at least one [units.SERIAL]")
    _file: str = PrivateAttr("")

    def comes_from(self, file: str) -> None:
        """Where the units were read."""
        self._file = file

    def model_post_init(self, _context: object) -> None:
        give_names(self.units)

    @property
    def file(self) -> str:
        return self._file

    def plants(self, serial: str) -> tuple[str, ...]:
        """The faults of a unit: those of every unit, then its own. Raises KeyError."""
        return (*self.every.plant, *self.units[serial].plant)


def check_units(units: Units, document: Document, board: Board | None) -> None:
    """Add fault texts that nobody can read or that the board's circuit cannot have."""
    places: list[tuple[Path, str]] = [(("every", "plant", index), text) for index, text in enumerate(units.every.plant)]
    for name, unit in units.units.items():
        places += [(("units", name, "plant", index), text) for index, text in enumerate(unit.plant)]
    for path, text in places:
        try:
            _check_fault(text, board)
        except CircuitError as error:
            document.add(path, f'"{text}"', f"a fault: {error}")


def units_notes(units: Units, document: Document, board: Board) -> list[Problem]:
    """Pulls that would be planted beside what the board file has already."""
    notes = Document(document.file, document.text, document.data, document.lines)
    listed: list[tuple[Path, tuple[str, ...]]] = [(("every",), tuple(units.every.plant))]
    listed += [(("units", name), tuple(unit.plant)) for name, unit in units.units.items()]
    for path, plants in listed:
        for text, stands in planted_twice(board, plants):
            at = (*path, "plant", plants.index(text))
            notes.add(at, f'"{text}" planted twice: {stands}', "a pull that the board file has not")
    return notes.problems


def _check_fault(text: str, board: Board | None) -> None:
    """Raises CircuitError."""
    from wakeboard.instruments.virtual.circuit import parse_fault

    fault = parse_fault(text)
    if board is not None and board.parts:
        from wakeboard.harness.describe.board.circuit import board_circuit
        from wakeboard.instruments.virtual.circuit.faults.effects import effects

        effects(board_circuit(board), fault)
