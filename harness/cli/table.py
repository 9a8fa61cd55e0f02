"""The commands by name: which module holds each, and what its line in the help says.

A command's module is loaded only when the command runs, so that `wakeboard --help` answers at once. Each module exposes
`command` (a click.Command). The order is the order of a first day with Wakeboard.
"""

from __future__ import annotations

from typing import NamedTuple


class Entry(NamedTuple):
    module: str
    summary: str
    group: str


_FIRST, _DESIGN, _BENCH, _AFTER = "Start here", "Before power", "On the bench", "Afterwards"

COMMANDS: dict[str, Entry] = {
    "demo": Entry("harness.cli.demo", "five units of an invented board on the virtual bench", _FIRST),
    "new": Entry("harness.cli.new", "make a bring-up folder: board, bench, first sequence", _FIRST),
    "check": Entry("harness.cli.check", "read board, bench and sequence files and say what is wrong", _FIRST),
    "review": Entry("harness.cli.review", "find what is wrong in the design itself", _DESIGN),
    "rehearse": Entry("harness.cli.rehearse", "plant every fault and see what the sequence catches", _DESIGN),
    "bench": Entry("harness.cli.bench", "find, identify and self-check the instruments", _BENCH),
    "run": Entry("harness.cli.run", "take one unit through one sequence", _BENCH),
    "smoke": Entry("harness.cli.smoke", "the production loop: serial number, run, answer, next", _BENCH),
    "virtual": Entry("harness.cli.virtual", "serve the virtual bench on TCP ports and a serial line", _BENCH),
    "explain": Entry("harness.cli.explain", "rank the faults, say what to measure next, and which bodge", _AFTER),
    "compare": Entry("harness.cli.compare", "put the units of a board side by side", _AFTER),
    "unit": Entry("harness.cli.unit", "show what was done to a unit, or all units", _AFTER),
    "rework": Entry("harness.cli.rework", "note a rework of a unit", _AFTER),
    "finding": Entry("harness.cli.finding", "keep an oddity with its evidence and what to change", _AFTER),
    "report": Entry("harness.cli.report", "write a self-contained HTML report", _AFTER),
    "export": Entry("harness.cli.export", "write CSV, Parquet, JUnit XML or SPICE", _AFTER),
    "push": Entry("harness.cli.push", "copy results to a shared PostgreSQL server", _AFTER),
}
