"""Exit codes, and which exception means which.

The classes are looked up by module and name among the modules that are already loaded: an exception that was raised
has its module loaded, and a command that never touches the store need not load it to print a usage error.
"""

from __future__ import annotations

import enum
import sys


class Exit(enum.IntEnum):
    GOOD = 0
    FAILED = 1  # the unit failed, was marginal, or the guard tripped; a serious concern; an escape
    USAGE = 2  # usage, or a bad file
    BENCH = 3  # the bench failed: link, identity, calibration, self-check
    STOPPED = 4  # stopped by the operator, outputs confirmed off
    INTERNAL = 5
    OUTPUTS_ON = 6  # outputs not confirmed off


MEANS: dict[Exit, str] = {
    Exit.GOOD: "good",
    Exit.FAILED: "the unit failed, was marginal or the guard tripped; a serious concern; an escape",
    Exit.USAGE: "usage, or a bad file",
    Exit.BENCH: "the bench failed: link, identity, calibration, self-check",
    Exit.STOPPED: "stopped by the operator, outputs confirmed off",
    Exit.INTERNAL: "a mistake in Wakeboard itself",
    Exit.OUTPUTS_ON: "OUTPUTS NOT CONFIRMED OFF: turn them off by hand",
}


class OutputsNotOff(Exception):
    """The outputs could not be confirmed off. The text says which, and what to do by hand."""


class Stopped(Exception):
    """The operator stopped the work; the outputs are confirmed off."""


_CLASSES = [
    ("wakeboard.harness.cli.exits", "OutputsNotOff", Exit.OUTPUTS_ON),
    ("wakeboard.harness.cli.exits", "Stopped", Exit.STOPPED),
    ("wakeboard.harness.describe.registry", "BadKind", Exit.USAGE),
    ("wakeboard.harness.describe.problems", "FileProblems", Exit.USAGE),
    ("wakeboard.harness.describe.board.board", "UnknownName", Exit.USAGE),
    ("wakeboard.harness.describe.board.levels", "LevelError", Exit.USAGE),
    ("wakeboard.harness.run.errors", "OperatorStop", Exit.STOPPED),
    ("wakeboard.harness.run.errors", "Tripped", Exit.FAILED),
    ("wakeboard.harness.run.errors", "NoAnswer", Exit.USAGE),
    ("wakeboard.harness.run.errors", "Refused", Exit.USAGE),
    ("wakeboard.harness.run.errors", "OwnStepFault", Exit.USAGE),
    ("wakeboard.harness.run.bench.virtual", "NoCircuit", Exit.USAGE),
    ("wakeboard.harness.explain.unit.cases", "CannotExplain", Exit.USAGE),
    ("wakeboard.harness.explain.ask.loop", "NobodyThere", Exit.USAGE),
    ("wakeboard.harness.rehearse.rehearsal", "NoRehearsal", Exit.BENCH),
    ("wakeboard.harness.rehearse.kept", "KeptElsewhere", Exit.USAGE),
    ("wakeboard.harness.rehearse.spread", "SpreadError", Exit.BENCH),
    ("wakeboard.harness.script.plot", "NoMatplotlib", Exit.USAGE),
    ("wakeboard.harness.demo.demo", "FolderTaken", Exit.USAGE),
    ("wakeboard.instruments.virtual.bench", "TooManyVolts", Exit.USAGE),
    ("wakeboard.instruments.errors", "BenchError", Exit.BENCH),
    ("wakeboard.instruments.quantity", "QuantityError", Exit.USAGE),
    ("wakeboard.instruments.virtual.circuit.errors", "CircuitError", Exit.USAGE),
    ("wakeboard.results.store.errors", "StoreError", Exit.USAGE),
]


def exit_code(error: BaseException) -> Exit | None:
    """The code an exception stands for; None for one that nobody expected.

    An exception of any class may carry its own `exit_code`.
    """
    own = getattr(error, "exit_code", None)
    if isinstance(own, int) and own in list(Exit):
        return Exit(own)
    if isinstance(error, KeyboardInterrupt):
        return Exit.STOPPED
    for module, name, code in _CLASSES:
        known = getattr(sys.modules.get(module), name, None)
        if isinstance(known, type) and isinstance(error, known):
            return code
    return None
