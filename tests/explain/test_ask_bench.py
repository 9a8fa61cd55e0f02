"""`explain --ask` with a bench: Skep's five units, what ends it, what it must not do, and what is kept of it.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import runpy
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from wakeboard.harness.cli import execute
from wakeboard.harness.explain.ask.loop import Asked, at_bench
from wakeboard.harness.explain.explaining import explain_case, explain_run
from wakeboard.harness.explain.explanation import Explanation
from wakeboard.harness.explain.unit.cases import CannotExplain, Case
from wakeboard.harness.explain.unit.follow_ups import explains
from wakeboard.harness.run.bench.probing import HandProbing
from wakeboard.harness.run.session import exit_code
from wakeboard.results.ledger.ledger import Ledger
from wakeboard.results.records import ASKED, Trip
from wakeboard.results.store.store import Store

TOOLS = runpy.run_path(str(Path(__file__).with_name("skep_bench.py")))
UNITS, look_at, skep_folder = TOOLS["UNITS"], TOOLS["look_at"], TOOLS["skep_folder"]
TRUTH = {
    "SK-A-001": {"U5.NRST:pull_up"},
    "SK-A-002": {"U5.NRST:pull_up", "D3:reversed"},
    "SK-A-003": {"+3V3+GND:bridge"},  # the guard cut it before anything told of the radio, and that tells enough
    "SK-A-004": {"U5.NRST:pull_up", "U2:variant"},
    "SK-A-005": {"U5.NRST:pull_up", "R14:missing"},
}


@pytest.fixture(scope="module")
def looked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one run of each unit that stopped short of telling."""
    folder: Path = skep_folder(tmp_path_factory.mktemp("skep"))
    with Store.open(folder / "wakeboard.db") as store:
        for unit in UNITS:
            look_at(folder, unit, store)
    return folder


@pytest.fixture
def store(looked: Path, tmp_path: Path) -> Iterator[Store]:
    """A copy of the folder's store for one test."""
    with Store.open(copied(looked, tmp_path)) as copy:
        yield copy


def copied(looked: Path, folder: Path) -> Path:
    with Store.open(looked / "wakeboard.db") as source:
        source.database.harden()
    (folder / "wakeboard.db").write_bytes((looked / "wakeboard.db").read_bytes())
    return folder / "wakeboard.db"


class Watch:
    """Keeps the bench that was opened, and may break the run off at a step of some kind."""

    def __init__(self, stop_at: str = "", by_hand: bool = False) -> None:
        self.bench: Any = None
        self.stop_at, self.by_hand = stop_at, by_hand
        self.told: list[str] = []
        self.board_file = ""

    def before(self, bench: Any) -> None:
        self.bench = bench
        if self.by_hand:
            relays = bench.probing

            def tell(title: str, detail: str) -> None:
                self.told.append(title)
                if "net " in detail:
                    relays.reach(detail.split("net ")[1].split()[0])

            from wakeboard.harness.describe.load import load_board

            bench.probing = HandProbing(load_board(self.board_file), tell)

    def step_begins(self, number: int, total: int, title: str, kind: str) -> None:
        if kind == self.stop_at:
            raise KeyboardInterrupt

    def reading(self, reading: Any) -> None: ...
    def says(self, text: str) -> None: ...
    def pulse(self, samples: Any, limits: Any) -> None: ...
    def step_ends(self, step: Any) -> None: ...


def of_unit(store: Store, unit: str) -> Explanation:
    (summary,) = [s for s in store.runs(unit=unit) if s.sequence != ASKED]
    return explain_run(store, summary.id, together=False)


def ask(store: Store, before: Explanation, watch: Watch | None = None) -> tuple[Asked, Watch]:
    watch = watch or Watch()
    return at_bench(before, store=store, before=watch.before, observer=watch), watch


@pytest.fixture(scope="module")
def begun(looked: Path) -> Callable[[str], Explanation]:
    """begun("SK-A-005") -> the explanation of its first look."""

    @functools.cache
    def explained(unit: str) -> Explanation:
        with Store.open(looked / "wakeboard.db") as store:
            return of_unit(store, unit)

    return explained


@pytest.fixture(scope="module")
def asked_of(
    looked: Path, begun: Callable[[str], Explanation], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Any]:
    """asked_of("SK-A-005") -> (before, asked, watch, store); done once for all tests that only look."""
    with Store.open(copied(looked, tmp_path_factory.mktemp("asked"))) as store:
        yield functools.cache(lambda unit: (begun(unit), *ask(store, begun(unit)), store))


def as_if_cut(found: Explanation) -> Explanation:
    """As if the guard had cut USB in the end, and ohms had been read with the resistor across: so ohms may tell."""
    assert found.case is not None
    run = found.case.run
    steps = tuple(
        dataclasses.replace(s, detail={**s.detail, "shunt_ohms": 10e3, "test_amps": 1e-4})
        if s.kind == "resistance" else s for s in run.steps
    )  # fmt: skip
    trip = Trip("lead-off", steps[-1].number, "USB", None, None)
    return explain_case(Case(dataclasses.replace(run, steps=steps, trip=trip), found.case.model))


def faults(found: Explanation) -> set[str]:
    return {text.partition("=")[0] for text in found.groups[0].faults}


@pytest.mark.parametrize("unit", UNITS)
def test_it_ends_at_one_group_with_the_right_cause_and_everything_off(asked_of: Any, unit: str) -> None:
    before, asked, watch, store = asked_of(unit)
    found = asked.explanation
    assert faults(found) == TRUTH[unit]
    assert found.groups[0].probability > 0.9
    # nothing is left but what tells the members of one place apart, which takes a lifted part or tells next to nothing
    assert all("lifted" in c.measurement.state or c.bits < 0.2 for c in found.next)
    if asked.result is None:  # told after the first look: the bench is left alone
        assert before.groups[0].probability > 0.97
        assert watch.bench is None
        return
    assert watch.bench.virtual.outputs_on == []
    assert asked.result.record.outputs_off is True
    assert asked.taken
    assert not asked.result.error
    later = of_unit(store, unit)
    assert later.readings > before.readings
    assert [g.name for g in found.groups] == [g.name for g in later.groups]
    assert [g.probability for g in found.groups] == pytest.approx([g.probability for g in later.groups])


def test_a_reading_in_a_state_that_the_run_did_not_have_is_what_decides(asked_of: Any) -> None:
    """Unit 5 after the first look: whether R14 alone is missing is told with a pin driven, over the console."""
    before, asked, _, store = asked_of("SK-A-005")
    assert before.groups[0].probability < 0.97 or before.groups[0].same
    record = asked.result.record if asked.result is not None else None
    assert record is not None
    assert [step.kind for step in record.steps][:2] == ["resistance", "power on"]
    assert record.steps[-1].kind == "power off"
    driven = [r for _, r in record.readings() if "GPIO" in r.state and r.quantity == "dc volts"]
    assert driven
    kept = store.run(record.id)
    assert kept.unit == "SK-A-005"
    assert kept.sequence == ASKED
    assert explains(kept) == before.run
    on = next(step for step in record.steps if step.kind == "power on")
    assert on.detail["limit"] == pytest.approx(0.12)  # as the run's own sequence says
    assert store.run().sequence == "First look"  # never "the latest run" of anybody


def test_what_was_cut_by_the_guard_is_not_switched_on_again(store: Store, begun: Callable[[str], Explanation]) -> None:
    asked, watch = ask(store, as_if_cut(begun("SK-A-005")))
    assert asked.result is not None
    assert {step.kind for step in asked.result.record.steps} == {"resistance"}
    assert asked.result.record.energised_s == 0.0
    assert watch.bench.virtual.outputs_on == []


def test_ctrl_c_in_the_middle_leaves_everything_off_and_keeps_what_was_read(
    store: Store, begun: Callable[[str], Explanation]
) -> None:
    asked, watch = ask(store, begun("SK-A-005"), Watch(stop_at="probe"))
    assert asked.result is not None
    assert exit_code(asked.result) == 4
    assert asked.result.record.outputs_off is True
    assert watch.bench.virtual.outputs_on == []
    kinds = [step.kind for step in store.run(asked.result.record.id).steps]
    assert kinds[:2] == ["resistance", "power on"]
    assert kinds[-1] == "discharge"


def test_by_hand_the_person_is_asked_for_each_point(
    store: Store, looked: Path, begun: Callable[[str], Explanation]
) -> None:
    watch = Watch(by_hand=True)
    watch.board_file = str(looked / "board.toml")
    asked, _ = ask(store, begun("SK-A-005"), watch)
    assert asked.result is not None
    probed = [step for step in asked.result.record.steps if step.kind == "probe"]
    assert probed
    assert all(step.outcome == "pass" for step in probed)
    assert sum(title.startswith("Probe ") for title in watch.told) > 1  # its short check, the point, the discharge
    assert watch.bench.virtual.outputs_on == []


def test_a_reworked_unit_is_another_circuit(store: Store, begun: Callable[[str], Explanation]) -> None:
    found = begun("SK-A-005")
    Ledger(store).add_rework("SK-A-005", "10 kΩ fitted", ["+3V3+FLASH_CS:bridge=10k"], board="Skep")
    with pytest.raises(CannotExplain, match="reworked since run"):
        at_bench(found, store=store)


def test_readings_from_before_a_rework_are_not_taken_in(store: Store, begun: Callable[[str], Explanation]) -> None:
    before = begun("SK-A-005")
    asked, _ = ask(store, before)
    assert asked.result is not None
    Ledger(store).add_rework("SK-A-005", "looked at", [], board="Skep")
    again = store.run(before.run)
    assert not again.rework
    key = store.begin_run(again.start)
    for step in again.steps:
        store.commit_step(key, step)
    store.end_run(key, "fail", outputs_off=True, energised_s=1.0)
    assert explain_run(store, key, together=False).readings == before.readings


def test_the_virtual_bench_does_not_answer_for_a_real_board(store: Store, begun: Callable[[str], Explanation]) -> None:
    found = begun("SK-A-005")
    assert found.case is not None
    run = dataclasses.replace(found.case.run, start=dataclasses.replace(found.case.run.start, virtual=False))
    real = dataclasses.replace(found, case=dataclasses.replace(found.case, run=run))
    with pytest.raises(CannotExplain, match="real bench"):
        at_bench(real, store=store)


# --- the command ----------------------------------------------------------------------------------------------------
def test_the_command_measures_and_says_what_it_came_to(
    store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (summary,) = store.runs(unit="SK-A-005")
    arguments = ["explain", summary.id[:8], "--ask", "--virtual", "--alone", "--db", str(tmp_path / "wakeboard.db")]
    assert execute([*arguments, "--json"]) == 0
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    both = {text.partition("=")[0] for text in document["candidates"][0]["faults"]}
    assert both == {"R14:missing", "U5.NRST:pull_up"}
    assert document["asked"]["outputs_off"] is True
    assert document["asked"]["taken"]
    assert document["run"] == summary.id
    assert "extra-low-voltage" in shown.err  # the cautions
    assert "outputs confirmed off" in shown.err
    assert execute(arguments) == 0
    assert capsys.readouterr().out.count("R14") >= 1  # asked again, it says the same


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--virtual"], "go with --ask"),
        (["--bench", "bench.toml"], "go with --ask"),
        (["--ask", "--virtual", "--bench", "bench.toml"], "one bench at a time"),
        (["--ask", "--bench", "nowhere.toml"], "nowhere.toml"),
        (["--reference", "SK-A-099"], "SK-A-099"),
    ],
)
def test_what_is_wrong_is_said_and_exits_with_two(
    store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    (summary,) = store.runs(unit="SK-A-003")
    assert execute(["explain", summary.id, *arguments, "--alone", "--db", str(tmp_path / "wakeboard.db")]) == 2
    told = capsys.readouterr().err
    assert says in told
    assert "Traceback" not in told


@pytest.mark.parametrize("cut", [False, True])
def test_while_it_is_thought_the_guard_hears_of_each_piece_and_may_cut(
    store: Store, begun: Callable[[str], Explanation], monkeypatch: pytest.MonkeyPatch, cut: bool
) -> None:
    """The board stays powered between two measurements; what hangs or trips meanwhile is no explanation's to notice."""
    from wakeboard.harness.run.errors import power_cut
    from wakeboard.harness.run.guard.core import Cut
    from wakeboard.harness.run.services.timing import COMPUTE_LEASE

    watch, heard = Watch(), []

    def before(bench: Any) -> None:
        watch.before(bench)
        beat = bench.guard.beat

        def heed(lease: float) -> None:
            if lease == COMPUTE_LEASE:
                heard.append(list(bench.virtual.outputs_on))
                if cut and len(heard) == 3:
                    raise power_cut("USB", Cut("over-current", 0.0, 5.0, 0.2, "too much"))
            beat(lease)

        monkeypatch.setattr(bench.guard, "beat", heed)

    asked = at_bench(begun("SK-A-005"), store=store, before=before, observer=watch)
    assert asked.result is not None
    assert len(heard) >= 3
    assert all(heard)  # it is asked for with an output on only
    assert watch.bench.virtual.outputs_on == []
    assert asked.result.record.outputs_off is True
    assert asked.result.outcome == ("tripped" if cut else "pass")
    assert asked.explanation.case is not None
    assert asked.explanation.readings > begun("SK-A-005").readings  # what was read before the cut counts
