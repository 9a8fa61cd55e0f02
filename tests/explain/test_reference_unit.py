"""A reference unit, known to be good: what it shows too is blamed on the bench, and the words say why."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.results.records import ASKED, Reading, RunRecord
from wakeboard.results.store.store import Store

RunMaker = Callable[..., RunRecord]
OWN = "U1.GPIO2:stuck=low"
LEAK = "U3.NRST:pull_up=13k"  # as a lead that leaks from the 3.3 V route to that of RST would read, on any unit


@pytest.fixture
def explained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """explained([runs], "--reference", "W0") -> the JSON document for the last of the runs."""
    monkeypatch.chdir(tmp_path)

    def explain(runs: list[RunRecord], *options: str) -> Any:
        with Store.open(tmp_path / "wakeboard.db") as store:
            for run in runs:
                key = store.begin_run(run.start)
                for step in run.steps:
                    store.commit_step(key, step)
                store.end_run(key, "fail", outputs_off=True, energised_s=1.0)
        assert execute(["explain", "--json", *options]) == 0
        return json.loads(capsys.readouterr().out)

    return explain


def test_what_the_reference_shows_too_is_the_bench(explained: Any, make_run: RunMaker) -> None:
    runs = [make_run([LEAK], unit="W0", seed=5), make_run([LEAK], unit="W1", seed=6)]
    document = explained(runs, "--reference", "W0")
    best = document["candidates"][0]
    assert best["fault"] == "the bench"
    assert best["faults"] == []
    assert [text.partition("=")[0] for text in best["bench"]] == ["U3.NRST:pull_up"]
    assert best["accounts_for"]
    assert "W0, which is known to be good, reads as if inside U3 about 1" in best["says"]
    assert "leads, routes, meter and supply before any board" in best["says"]
    assert document["common"] == []  # not the design
    line = next(line for line in document["lines"] if line["line"] == "RST")
    assert line["bodge"] is None  # nothing is soldered for a lead that leaks
    assert "look at the bench first" in line["why"]


def test_without_a_reference_the_same_readings_are_the_design(explained: Any, make_run: RunMaker) -> None:
    document = explained([make_run([LEAK], unit="W0", seed=5), make_run([LEAK], unit="W1", seed=6)])
    assert document["candidates"][0]["fault"].startswith("U3.NRST:pull_up")
    assert [c["fault"].partition("=")[0] for c in document["common"]] == ["U3.NRST:pull_up"]


def test_what_only_this_unit_shows_stays_its_own(explained: Any, make_run: RunMaker) -> None:
    runs = [make_run([LEAK], unit="W0", seed=5), make_run([LEAK, OWN], unit="W1", seed=6)]
    best = explained(runs, "--reference", "W0")["candidates"][0]
    assert best["faults"] == [OWN]
    assert best["fault"] == f"{OWN} and the bench"
    assert "U1" in best["says"].partition("; and the bench")[0]
    assert "; and the bench: W0" in best["says"]


@pytest.mark.parametrize("others", [[], [LEAK]])
def test_a_good_reference_leaves_the_board_to_blame(explained: Any, make_run: RunMaker, others: list[str]) -> None:
    """Whatever a third unit shows: the reference does not show it."""
    runs = [make_run([], unit="W0", seed=5), make_run(others, unit="W2", seed=7), make_run([LEAK], unit="W1", seed=6)]
    best = explained(runs, "--reference", "W0")["candidates"][0]
    assert best["fault"].startswith("U3.NRST:pull_up")
    assert best["bench"] == []


def test_another_value_of_the_same_fault_is_another_cause(explained: Any, make_run: RunMaker) -> None:
    runs = [make_run(["U3.NRST:pull_up=100k"], unit="W0", seed=5), make_run([LEAK], unit="W1", seed=6)]
    assert explained(runs, "--reference", "W0")["candidates"][0]["bench"] == []


def test_an_oddity_outside_the_model_on_both_is_the_bench(explained: Any, make_run: RunMaker) -> None:
    """Two readings of one net that no fault of the list gives together, on the reference unit as well."""

    def spoil(readings: list[Reading]) -> None:
        for k, r in enumerate(readings):
            if r.of == "CS" and r.quantity == "dc volts":
                readings[k] = dataclasses.replace(r, value=2.4 if "GPIO2=low" in r.state else 1.1, outcome="fail")

    runs = [make_run(unit="W0", seed=5, edit=spoil), make_run(unit="W1", seed=6, edit=spoil)]
    document = explained(runs, "--reference", "W0")
    assert document["candidates"][0]["fault"] == "the bench"
    assert "of these odd readings too" in document["candidates"][0]["says"]
    alone = explained([], "--alone")
    assert alone["candidates"][0]["fault"] == "not in this model"


def test_it_is_told_in_the_terminal(explained: Any, make_run: RunMaker, capsys: pytest.CaptureFixture[str]) -> None:
    explained([make_run([LEAK], unit="W0", seed=5), make_run([LEAK], unit="W1", seed=6)])
    assert execute(["explain", "--reference", "W0"]) == 0
    shown = capsys.readouterr().out
    assert " 1. > 99 %  the bench: W0, which is known to be good" in shown
    assert "bodge: solder" not in shown


def test_runs_that_an_explanation_asked_for_are_no_run_of_the_reference(explained: Any, make_run: RunMaker) -> None:
    asked = make_run([LEAK], unit="W0", seed=5)
    asked = dataclasses.replace(asked, start=dataclasses.replace(asked.start, sequence_title=ASKED))
    runs = [make_run([], unit="W0", seed=4), asked, make_run([LEAK], unit="W1", seed=6)]
    assert explained(runs, "--reference", "W0")["candidates"][0]["bench"] == []
