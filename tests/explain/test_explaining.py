"""Explanations of a small board: each planted fault first, pairs, the unknown, rework, several units, bad input.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from wakeboard.harness.cli.explain import command
from wakeboard.harness.explain.ask import loop as asking
from wakeboard.harness.explain.choose.least_effort import Choice
from wakeboard.harness.explain.evidence.observe import observation
from wakeboard.harness.explain.evidence.predict import Change
from wakeboard.harness.explain.explaining import explain_case, explain_run
from wakeboard.harness.explain.explanation import Explanation
from wakeboard.harness.explain.telling import reading_text, tell
from wakeboard.harness.explain.unit.cases import BoardModel, CannotExplain, Case
from wakeboard.instruments.virtual.circuit import parse_fault
from wakeboard.results.explanation import ExplanationDocument
from wakeboard.results.records import Reading, Rework, RunRecord, RunStart
from wakeboard.results.store.errors import StoreError
from wakeboard.results.store.store import Store

MakeCase = Callable[..., Case]
RunMaker = Callable[..., RunRecord]


@pytest.mark.parametrize(
    "fault",
    ["U3.NRST:pull_up=13k", "R2:missing", "U2:variant=2.8 V", "D1:missing", "+3V3+GND:bridge=2", "R2:value=470k",
     "RST+IRQ:bridge=5", "U1.GPIO2:stuck=low", "U2:dead"],
)  # fmt: skip
def test_a_planted_fault_is_ranked_first(fault: str, case: MakeCase) -> None:
    """Parts drawn within their tolerance, noise on every reading; the group of the truth must lead."""
    found = explain_case(case(fault), ask_next=False)
    first = found.groups[0]
    named = [first.name, *(text for text, _ in first.same)]
    target = fault.partition("=")[0]
    assert any(text.startswith(target) for text in named), named
    assert first.probability > 0.5
    assert set(first.accounts_for) == set(found.odd)


def test_a_good_board_is_as_drawn(case: MakeCase) -> None:
    found = explain_case(case(), ask_next=False)
    assert found.groups[0].name == "none"
    assert not found.odd


def test_what_no_reading_shows_stands_with_the_drawn_board(case: MakeCase) -> None:
    """A few readings of a good board leave many faults as likely as they were before: no reason to doubt it."""
    whole = case()
    few = case_of_readings(whole, 6)
    found = explain_case(few, ask_next=True)
    first = found.groups[0]
    assert first.name == "none"
    assert first.probability > 0.95
    assert len(first.same) > 5
    assert sum(p for _, p in first.same) > 0.02
    assert not any(set(first.same) & set(group.same) for group in found.groups[1:])
    assert not found.next
    assert any("faults that these readings do not show: " in line for line in tell(found))


def test_what_a_reading_speaks_for_stands_by_itself(case: MakeCase) -> None:
    """However unlikely beforehand, it is not hidden behind the drawn board."""
    found = explain_case(case("R2:missing"), ask_next=False)
    none = next(group for group in found.groups if group.name == "none")
    assert not any(text.startswith("R2:") for text, _ in none.same)


def case_of_readings(whole: Case, count: int) -> Case:
    """The case with the first readings only."""
    steps, left = [], count
    for step in whole.run.steps:
        steps.append(dataclasses.replace(step, readings=step.readings[:left]))
        left -= len(steps[-1].readings)
    return dataclasses.replace(whole, run=dataclasses.replace(whole.run, steps=tuple(steps)))


def test_the_hidden_pull_is_fitted_and_said_in_plain_words(case: MakeCase) -> None:
    found = explain_case(case("U3.NRST:pull_up=13k"), ask_next=False)
    first = found.groups[0]
    assert first.says.startswith("inside U3 about 1")
    assert "pulls RST up to +3V3" in first.says
    ohms = parse_fault(first.faults[0]).ohms
    assert ohms == pytest.approx(13e3, rel=0.04)
    assert first.u[0] < 0.04
    assert any("U1.GPIO1" in text for text, _ in first.same)  # the other pin on the net predicts the same


def test_two_faults_are_found_together(case: MakeCase) -> None:
    found = explain_case(case("U3.NRST:pull_up=13k", "R2:missing"), ask_next=False)
    assert "R2:missing and U3.NRST:pull_up" in _everything(found)
    assert found.groups[0].probability > 0.5


def _everything(found: Explanation) -> str:
    """All members of the likeliest group, values left out, faults in order."""
    first = found.groups[0]
    members = [first.name, *(text for text, _ in first.same)]
    return "; ".join(" and ".join(sorted(f.partition("=")[0] for f in m.split(" and "))) for m in members)


def test_what_no_fault_gives_is_something_else(case: MakeCase) -> None:
    """An exotic failure: IRQ sits at 1.9 V into 10 MΩ, yet RST, joined to nothing, sits at 0.3 V too."""

    def spoil(readings: list[Reading]) -> None:
        for k, r in enumerate(readings):
            if r.of == "CS" and "GPIO2=low" in r.state:
                readings[k] = dataclasses.replace(r, value=2.4)
            if r.of == "CS" and "GPIO2" not in r.state and r.quantity == "dc volts":
                readings[k] = dataclasses.replace(r, value=1.1, outcome="fail")

    found = explain_case(case(edit=spoil), ask_next=False)
    innocent = sum(g.probability for g in found.groups if g.faults)
    assert found.groups[0].name == "not in this model"
    assert innocent < 0.5


def test_rework_in_force_changes_the_circuit_first(wren: BoardModel, make_run: RunMaker) -> None:
    bodged = make_run(["U3.NRST:pull_up=13k", "RST+GND:bridge=1.1k"])
    told = dataclasses.replace(bodged, rework=(Rework("1.1 kΩ across R1", ("RST+GND:bridge=1.1k",)),))
    found = explain_case(Case(told, wren), ask_next=False)
    assert "U3.NRST:pull_up" in found.groups[0].name
    assert not any("bridge" in f for f in found.groups[0].faults)


def test_the_proposed_bodge_mends_the_board(case: MakeCase, make_run: RunMaker) -> None:
    found = explain_case(case("U3.NRST:pull_up=13k"), ask_next=False)
    line = next(f for f in found.lines if f.name == "RST")
    assert line.bodge is not None
    assert line.bodge.across == "R1"
    assert line.bodge.rework is not None
    again = make_run(["U3.NRST:pull_up=13k", line.bodge.rework])
    after = {r.state: r for _, r in again.readings() if r.of == "RST" and r.quantity == "dc volts"}
    rest = after["USB=5V@120mA; load=10MΩ"]
    assert rest.outcome == "pass"
    assert rest.value is not None
    low, _, high = line.bodge.after_volts
    assert low <= rest.value <= high
    moved = after["USB=5V@120mA; U1.GPIO1=high; load=10MΩ"].value
    assert moved is not None
    assert moved > 2.0


def test_common_to_all_units_is_the_design(wren: BoardModel, make_run: RunMaker) -> None:
    cases = [Case(make_run(["U3.NRST:pull_up=13k"], unit=f"W{k}", seed=10 + k), wren) for k in range(3)]
    own = Case(make_run(["U3.NRST:pull_up=13k", "R2:missing"], unit="W9", seed=20), wren)
    found = explain_case(own, cases, ask_next=False)
    assert [c.suspect.text for c in found.common] == ["U3.NRST:pull_up={}"]
    assert set(found.common[0].units) == {"W0", "W1", "W2", "W9"}
    assert "R2:missing and U3.NRST:pull_up" in _everything(found)
    assert [t.partition("=")[0] for t in found.groups[0].common] == ["U3.NRST:pull_up"]


def test_next_measurement_tells_what_is_left(case: MakeCase) -> None:
    """One reading of one line leaves several explanations; what is proposed must tell them apart."""
    found = explain_case(case("R2:missing", edit=_only_cs))
    assert found.next
    bits = [c.bits for c in found.next]
    assert all(b > 0 for b in bits)
    assert found.next[0].ahead == min(c.ahead for c in found.next)
    assert not any("lift" in c.measurement.does for c in found.next[:1])


def _only_cs(readings: list[Reading]) -> None:
    """CS sits low: its pull-up is missing, or something holds it there."""
    readings[:] = [r for r in readings if r.of in ("CS", "+3V3") and "GPIO" not in r.state]


def test_asking_goes_on_until_one_group_is_left(wren: BoardModel, make_run: RunMaker) -> None:
    """The planted board answers each proposed measurement; the doubt must shrink and the truth must win."""
    truth = Change((parse_fault("R2:missing"),), seed=3)
    start = explain_case(Case(make_run(["R2:missing"], edit=_without_cs_details), wren))
    measured: list[str] = []

    def measure(choice: Choice) -> float | None:
        measured.append(choice.measurement.point)
        return _ask_board(wren, choice, truth)

    after, taken = asking.pursue(start, measure)
    assert len(taken) == len(measured)
    assert after.groups[0].name == "R2:missing" or "R2:missing" in [t for t, _ in after.groups[0].same]
    assert after.bits <= start.bits + 1e-6


def test_who_was_weighed_along_still_teaches_after_an_answer(wren: BoardModel, make_run: RunMaker) -> None:
    others = [Case(make_run(unit=f"W{k}", seed=40 + k), wren) for k in range(3)]
    start = explain_case(Case(make_run(["R2:missing"], edit=_without_cs_details), wren), others)
    assert start.fit is not None
    assert start.fit.units == 3
    truth = Change((parse_fault("R2:missing"),), seed=3)
    after, taken = asking.pursue(start, lambda choice: _ask_board(wren, choice, truth))
    assert taken
    assert after.fit is not None
    assert after.fit.units == 3


def _without_cs_details(readings: list[Reading]) -> None:
    readings[:] = [r for r in readings if "GPIO" not in r.state and r.quantity != "ohms"]


def _ask_board(wren: BoardModel, choice: Choice, truth: Change) -> float | None:
    from wakeboard.harness.explain.evidence.predict import Predictor

    o = choice.measurement.detail["observation"]
    y = float(Predictor(wren.circuit, wren.supplies, [o]).predict([truth], exact=True)[0, 0])
    return 10**y if o.quantity == "ohms" else y


# --- through the store and the command line -------------------------------------------------------------------------
def keep(store: Store, run: RunRecord) -> str:
    run_id = store.begin_run(run.start)
    for step in run.steps:
        store.commit_step(run_id, step)
    store.end_run(run_id, "fail", outputs_off=True, energised_s=1.0, trip=None)
    return run_id


@pytest.fixture
def filled(tmp_path: Path, make_run: RunMaker) -> Path:
    path = tmp_path / "wakeboard.db"
    with Store.open(path) as store:
        keep(store, make_run(["U3.NRST:pull_up=13k"]))
    return path


def test_explain_run_of_the_store_has_the_contracts_keys(filled: Path) -> None:
    with Store.open(filled) as store:
        found = explain_run(store)
    document = json.loads(json.dumps(found.as_json()))
    assert {"run", "candidates", "next", "lines"} <= set(document)
    assert {"fault", "probability", "accounts_for", "leaves"} <= set(document["candidates"][0])
    assert {"none", "not in this model"} <= {c["fault"] for c in document["candidates"]}
    assert sum(c["probability"] for c in document["candidates"]) == pytest.approx(1.0, abs=1e-3)
    line = document["lines"][0]
    assert {"line", "kind", "source_volts", "source_ohms", "pull_ohms", "pull_ohms_u", "pull_to", "bodge"} <= set(line)
    assert {"low_ohms", "high_ohms", "fit_ohms", "across"} <= set(line["bodge"])
    assert line["pull_to"] == "+3V3"
    assert line["pull_ohms"] == pytest.approx(13e3, rel=0.03)


def test_a_document_is_read_and_written_as_it_was(filled: Path) -> None:
    with Store.open(filled) as store:
        document = json.loads(json.dumps(explain_run(store).as_json()))
    told = ExplanationDocument.of(document)
    assert json.loads(json.dumps(told.as_json())) == document
    assert told.lines[0].bodge is not None
    assert told.lines[0].candidates
    assert told.best is not None


def test_the_command_says_it_in_plain_words(filled: Path) -> None:
    result = CliRunner().invoke(command, ["--db", str(filled), "--why"], standalone_mode=False)
    assert result.exception is None
    assert "pulls RST up to +3V3; accounts for" in result.output
    assert "log likelihood" in result.output
    assert "solder" in result.output


def test_an_edited_board_file_is_said(filled: Path, board_file: Path, board_text: str) -> None:
    board_file.write_text(board_text.replace('"47k"', '"10k"'), encoding="utf-8")
    result = CliRunner().invoke(command, ["--db", str(filled), "--board", str(board_file)], standalone_mode=False)
    assert "was edited after this run" in result.output


def test_an_unknown_run_is_a_clear_error(filled: Path) -> None:
    with Store.open(filled) as store, pytest.raises(StoreError, match="no run"):
        explain_run(store, "ffff")


def test_an_empty_store_is_a_clear_error(tmp_path: Path) -> None:
    with Store.open(tmp_path / "empty.db") as store, pytest.raises(StoreError, match="holds no run"):
        explain_run(store)


def test_a_run_without_readings_is_a_clear_error(tmp_path: Path, make_run: RunMaker) -> None:
    run = dataclasses.replace(make_run(), steps=())
    with Store.open(tmp_path / "w.db") as store:
        keep(store, run)
        with pytest.raises(CannotExplain, match="has no readings"):
            explain_run(store)


def test_a_board_without_a_circuit_still_gets_its_lines(tmp_path: Path, make_run: RunMaker, board_text: str) -> None:
    run = make_run(["U3.NRST:pull_up=13k"])
    bare = board_text[: board_text.index("[parts]")]
    for pin in ("GPIO1", "GPIO2"):
        bare = bare.replace(f'driven_by = "U1.{pin}"\n', "")
    bare = bare.replace('levels = "lvcmos-3v3"', 'levels = "lvcmos-3v3"\nrail = "V33"')
    start = RunStart("W1", "Wren", "A", bare, "t", "")
    with Store.open(tmp_path / "w.db") as store:
        keep(store, dataclasses.replace(run, start=start))
        found = explain_run(store)
    assert not found.groups
    assert any("has no [parts]" in note for note in found.notes)
    line = next(f for f in found.lines if f.name == "RST")
    assert line.analysis.source is not None  # two loads: the Thevenin source is known without a circuit
    assert line.analysis.source.ohms.value == pytest.approx(1 / (1 / 13e3 + 1 / 47e3), rel=0.05)


def test_rework_that_does_not_fit_is_a_clear_error(wren: BoardModel, make_run: RunMaker) -> None:
    run = dataclasses.replace(make_run(), rework=(Rework("off", ("R99:missing",)),))
    with pytest.raises(CannotExplain, match="does not fit its board"):
        Case(run, wren)


def test_asking_without_a_terminal_is_refused(filled: Path) -> None:
    result = CliRunner().invoke(command, ["--db", str(filled), "--ask", "--no-input"], standalone_mode=False)
    assert isinstance(result.exception, asking.NobodyThere)


def test_text_never_claims_safety(filled: Path) -> None:
    with Store.open(filled) as store:
        found: Explanation = explain_run(store)
    assert "safe" not in " ".join(tell(found, why=True))


def test_a_reading_made_since_tells_to_which_rail_a_line_is_pulled(wren: BoardModel, make_run: RunMaker) -> None:
    """One load leaves a rail open; the second, measured because it was asked for, settles it (Thevenin)."""

    def one_load(readings: list[Reading]) -> None:
        readings[:] = [r for r in readings if "9.99" not in r.state and "GPIO" not in r.state]

    before = Case(make_run(["U3.NRST:pull_up=13k"], edit=one_load), wren)
    rest = make_run(["U3.NRST:pull_up=13k"])
    step, second = next((s, r) for s, r in rest.readings() if r.of == "RST" and "9.99" in r.state)
    made = observation(second, step, wren.net_of)
    assert made is not None
    lines = [
        next(f for f in explain_case(case, ask_next=False).lines if f.name == "RST")
        for case in (before, dataclasses.replace(before, extra=(made,)))
    ]
    assert "A second load tells which" in lines[0].analysis.says
    assert "A second load tells which" not in lines[1].analysis.says
    assert lines[1].told().pull_to == "+3V3"


@pytest.mark.parametrize(
    ("quantity", "y", "told"),
    [
        ("dc volts", 4.2e-8, "0 V"),
        ("dc volts", -3e-5, "-30 µV"),
        ("current", 8e-21, "0 A"),
        ("current", 0.012, "12 mA"),
    ],
)
def test_no_prediction_is_told_finer_than_anything_reads(quantity: str, y: float, told: str) -> None:
    assert reading_text(SimpleNamespace(quantity=quantity), y) == told  # type: ignore[arg-type]
