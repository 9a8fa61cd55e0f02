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
    "demo": Entry("wakeboard.harness.cli.demo", "five units of an invented board on the virtual bench", _FIRST),
    "new": Entry("wakeboard.harness.cli.new", "make a bring-up folder: board, bench, first sequence", _FIRST),
    "parts": Entry("wakeboard.harness.cli.parts", "the catalogue of part kinds, and the part book", _FIRST),
    "check": Entry("wakeboard.harness.cli.check", "read board, bench and sequence files and say what is wrong", _FIRST),
    "review": Entry("wakeboard.harness.cli.review", "find what is wrong in the design itself", _DESIGN),
    "map": Entry("wakeboard.harness.cli.map", "draw where a net, a point or a part is on the board", _DESIGN),
    "changes": Entry(
        "wakeboard.harness.cli.changes", "what two revisions differ in, what that mends and breaks", _DESIGN
    ),
    "rehearse": Entry("wakeboard.harness.cli.rehearse", "plant every fault and see what the sequence catches", _DESIGN),
    "bench": Entry("wakeboard.harness.cli.bench", "find, identify and self-check the instruments", _BENCH),
    "off": Entry("wakeboard.harness.cli.off", "switch every output of every supply off, now", _BENCH),
    "run": Entry("wakeboard.harness.cli.run", "take one unit through one sequence", _BENCH),
    "smoke": Entry("wakeboard.harness.cli.smoke", "the production loop: serial number, run, answer, next", _BENCH),
    "virtual": Entry("wakeboard.harness.cli.virtual", "serve the virtual bench on TCP ports and a serial line", _BENCH),
    "explain": Entry("wakeboard.harness.cli.explain", "rank the faults, say what to measure next, which bodge", _AFTER),
    "learnt": Entry("wakeboard.harness.cli.learnt", "what the units taught of the board's parts; write it", _AFTER),
    "compare": Entry("wakeboard.harness.cli.compare", "put the units of a board side by side", _AFTER),
    "unit": Entry("wakeboard.harness.cli.unit", "show what was done to a unit, or all units", _AFTER),
    "rework": Entry("wakeboard.harness.cli.rework", "note a rework of a unit", _AFTER),
    "finding": Entry("wakeboard.harness.cli.finding", "keep an oddity with its evidence and what to change", _AFTER),
    "revise": Entry("wakeboard.harness.cli.revise", "work the next revision out: draft, judge, write", _AFTER),
    "report": Entry("wakeboard.harness.cli.report", "write a self-contained HTML report", _AFTER),
    "page": Entry("wakeboard.harness.cli.page", "look at units, runs and reports in a browser", _AFTER),
    "export": Entry("wakeboard.harness.cli.export", "write CSV, Parquet, JUnit XML or SPICE", _AFTER),
    "push": Entry("wakeboard.harness.cli.push", "copy results to a shared PostgreSQL server", _AFTER),
}
