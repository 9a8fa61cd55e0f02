"""With nothing changed the truth reads what the circuit of the product reads: in every reading of five bring-ups."""

from __future__ import annotations

import pytest
from explain_trials import Line
from worlds import sequence_of, true_run

from truth.worlds import World
from wakeboard.harness.rehearse.direct import open_direct
from wakeboard.harness.run.runner import Runner
from wakeboard.instruments.virtual.bench import VirtualBench
from wakeboard.instruments.virtual.circuit import parse_fault
from wakeboard.results.records import RunRecord, RunStart

SHARE = 2e-3
"""How far apart readings may be, relative. The two differ in how sharply limits take hold."""
FLOOR = {"V": 3e-4, "Ω": 0.5, "A": 2e-4}
"""And absolute, by unit."""


TRIED = {
    "skep": ["", "D3:reversed", "U5.NRST:pull_up=13k"],
    "wren": ["", "R1:value=10k"],
    "plover": ["", "+5V++3V3:bridge=2"],
    "dunlin": ["", "U3:dead"],
    "siskin": ["", "R4:missing", "R3:value=1k"],
}


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Line]:
    folder = tmp_path_factory.mktemp("boards")
    return {board: Line.of(sequence_of(board, folder)) for board in TRIED}


def modelled(line: Line, plants: list[str]) -> RunRecord:
    """The same unit, nominal, on the product's own circuit."""
    board, sequence = line.sequence.board, line.sequence
    start = RunStart("A", board.name, board.revision, board.text, sequence.title, sequence.text, virtual=True)
    faults = [parse_fault(text) for text in plants]
    virtual = VirtualBench(
        line.prepared, unit="A", faults=faults, target=line.target, drawn=False, transients=False
    )  # fmt: skip
    with open_direct(line.built, virtual, line.facts) as bench:
        return Runner(sequence, bench, start, predictor=line.limits).run().record


@pytest.mark.parametrize(("board", "fault"), [(board, fault) for board, faults in TRIED.items() for fault in faults])
def test_every_reading_of_the_drawn_board(lines: dict[str, Line], board: str, fault: str) -> None:
    # independent solution: the truth's own elements and solver against the product's
    line = lines[board]
    plants = [fault] if fault else []
    true = true_run(line, World("none", drawn=False), "A", plants)
    assert true is not None
    ours, theirs = [r for _, r in true.readings()], [r for _, r in modelled(line, plants).readings()]
    assert [(r.of, r.quantity, r.state) for r in ours] == [(r.of, r.quantity, r.state) for r in theirs]
    assert len(ours) > 20
    for a, b in zip(ours, theirs, strict=True):
        if a.value is None or b.value is None:
            assert (a.value, a.says) == (b.value, b.says), a
        else:
            near = pytest.approx(b.value, rel=SHARE, abs=FLOOR.get(b.unit, 1e-6))
            assert a.value == near, (a.of, a.quantity, a.state)
