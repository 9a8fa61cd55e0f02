"""The solver compiled ahead: for the very types that it is called with, and found by whoever waits for it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest

from wakeboard.instruments.virtual.circuit.compiled import ahead
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Variant
from wakeboard.instruments.virtual.circuit.part import Circuit, Part
from wakeboard.instruments.virtual.circuit.solver.newton import evaluate, lifts, linearised, steps
from wakeboard.instruments.virtual.circuit.solver.transient import Simulation

pytestmark = pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="the solver runs as plain Python here")


def test_nothing_is_compiled_for_other_types_than_ahead() -> None:
    """Every way into the compiled functions: batches, faults, bridges, what floats, Jacobians, time."""
    circuit = Circuit(
        [
            Part("V1", "resistor", {"1": "A", "2": "GND"}, {"value": 1e3}),
            Part("R1", "resistor", {"1": "A", "2": "B"}, {"value": 1e3}),
            Part("D1", "diode", {"A": "B", "K": "C"}, {}),
            Part("C1", "capacitor", {"1": "C", "2": "GND"}, {"value": 1e-6}),
        ]
    )
    model = circuit.compile()
    variants = [Variant(), Variant((Fault("R1", "open"),)), Variant((Fault("A+C", "bridge", "3"),)), Variant(seed=1)]
    points = model.solve(variants * 100)
    points.floating(1)
    system, _ = model.system([model.plan(Variant())])
    linearised(system, np.zeros((1, model.layout.size)))
    partials = evaluate(system, np.zeros((1, model.layout.size)), partials=True).partials
    lifts(system, partials, np.zeros(1, dtype=np.intp), 1)
    steps(system, partials, 0, np.zeros((1, model.layout.size)))
    Simulation(model, settled=True).advance(1e-3)
    for name, (function, arguments) in ahead.examples().items():
        types = tuple(numba.typeof(each) for each in arguments)
        if name in ahead.INNER:  # called by compiled functions alone, which have brought it along from the disk
            function.compile(types)
        assert [*function.signatures] == [types], name


def test_what_compiled_functions_share_is_compiled_once_for_the_types_that_they_call_it_with() -> None:
    """What one process compiled ahead is what the other looked for: of each there is one on disk."""
    for name, (function, _) in ahead.examples().items():
        folder = function.stats.cache_path
        assert folder is None or len([*Path(folder).glob(f"*.{name}-*.nbc")]) == 1, name


def test_a_process_leaves_its_share_where_others_find_it(tmp_path: Path) -> None:
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    code = "from wakeboard.instruments.virtual.circuit.compiled import ahead; "

    def run(more: str) -> str:
        return subprocess.run(
            [sys.executable, "-c", code + more],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
            timeout=200,
        ).stdout

    assert run("print(ahead.missing() == ahead.SHARES, ahead._kept('least_first'))").split() == ["True", "False"]
    run("ahead.compile_now('least_first')")
    calls = (
        "import numpy as np; f = ahead.least_first; two = np.zeros(2, dtype=np.intp); "
        "f(np.ones((2, 2), dtype=bool), two, two.copy()); print(sum(f.stats.cache_hits.values()))"
    )
    assert run("print(ahead._kept('least_first')); " + calls).split() == ["True", "1"]


def test_what_old_versions_left_is_swept(tmp_path: Path) -> None:
    """Beside this version's folder, named as ours are, and not touched for a season."""
    mine, old, fresh, other = (tmp_path / name for name in ("0" * 16, "a" * 16, "b" * 16, "notes"))
    for folder in (mine, old, fresh, other):
        folder.mkdir()
        (folder / "file").touch()
    for folder in (mine, old, other):
        os.utime(folder, (0, 0))
    ahead.sweep(mine)
    assert {path.name for path in tmp_path.iterdir()} == {mine.name, fresh.name, other.name}
    (tmp_path / "elsewhere").mkdir()
    ahead.sweep(tmp_path / "elsewhere")  # a folder that somebody chose (NUMBA_CACHE_DIR) is not ours to tidy
    assert fresh.exists()
