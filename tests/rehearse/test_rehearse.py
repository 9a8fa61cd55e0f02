"""The four lists, on a board small enough that each can be worked out by hand."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import pytest
import wren

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.rehearse import pool
from wakeboard.harness.rehearse.job import Job
from wakeboard.harness.rehearse.reach import fault_library
from wakeboard.harness.rehearse.rehearsal import Rehearsal, rehearse
from wakeboard.harness.rehearse.saving import _changes
from wakeboard.harness.rehearse.trial import Shared, run_trial
from wakeboard.instruments.virtual.circuit import parse_fault


def _rehearsed(sequence: Path, *faults: str) -> Rehearsal:
    return rehearse(load_sequence(sequence), [[parse_fault(text)] for text in faults], workers=1)


def test_caught_at_the_step_that_shows_it_first(tmp_path: Path) -> None:
    """A short across USB shows unpowered; a missing regulator only once there is power, where the rails are read."""
    result = _rehearsed(wren.write(tmp_path), "VUSB+GND:bridge=1", "U2:missing")
    assert [(each.fault, each.step, each.name) for each in result.caught] == [
        ("VUSB+GND:bridge=1", 1, "resistance: every supply"),
        ("U2:missing", 4, "rails"),
    ]
    assert result.good.outcome == "pass"
    assert result.coverage == 1.0


def test_escaped_with_the_measurement_that_shows_it_and_equivalent(tmp_path: Path) -> None:
    """R2 loads 3.3 V with 1 mA and is nowhere measured; a capacitor changes no reading that is left to settle."""
    result = _rehearsed(wren.write(tmp_path), "R2:missing", "C2:missing")
    assert [each.fault for each in result.escaped] == ["R2:missing"]
    sight = result.escaped[0].cheapest
    assert sight is not None
    # unpowered, 3.3 kΩ at TP3 would be plainer; but in this state, which the sequence visits, D1 drops less without R2
    assert (sight.point, sight.state) == ("TP2", "USB=5V@500mA")
    assert result.equivalent == ["C2:missing"]
    assert result.coverage == 0.0


def test_diode_on_the_wrong_side_is_caught_with_the_cells_place_empty(tmp_path: Path) -> None:
    """The drawing itself is wrong: the review names the path, the rehearsed first power-on finds 5 V at the cell."""
    from wakeboard.harness.review.review import review_board

    loaded = load_sequence(wren.write(tmp_path, diode_to="VBAT"))
    concerns = [each for each in review_board(loaded.board) if each.rule == "backfeed"]
    assert any(each.serious and "VBAT" in each.nets and "D1" in each.path for each in concerns)
    good = rehearse(loaded, [], workers=1).good
    assert good.steps[3] == "fail"
    assert [key[1] for key, outcome in good.readings.items() if key[0] == 3 and outcome == "fail"] == ["VBAT"]
    assert list(good.names.values())[3:] == ["discharge"]  # a source that is fed ends the run


def test_the_same_as_a_misplaced_pin_on_a_right_drawing(tmp_path: Path) -> None:
    result = _rehearsed(wren.write(tmp_path), "D1.K:net=VBAT")
    assert [(each.fault, each.name) for each in result.caught] == [("D1.K:net=VBAT", "back-feed")]


def test_burned_with_a_limit_that_saves_the_part(tmp_path: Path) -> None:
    """3.3 V shorted behind a regulator that gives 600 mA: its 500 mA and 900 mW are passed at a limit of 1 A; at 500 mA
    it still has 5 V less the diode across it, 2 W; below that the supply's voltage gives way."""
    sequence = load_sequence(wren.write(tmp_path, limit="1 A"))
    fault = parse_fault("+3V3+GND:bridge=0.5")
    result = rehearse(sequence, [[fault]], workers=1)
    assert [(each.fault, each.burn.part) for each in result.burned] == [(str(fault), "U2")]
    saved = result.burned[0].saved_by
    assert saved is not None
    assert saved.startswith("limit ")
    shared = Shared(sequence.board)
    good, burned = run_trial(sequence, [], shared), run_trial(sequence, [fault], shared)
    changed = dict(_changes(sequence, good, burned, result.burned[0].burn.step))[saved]
    assert not run_trial(changed, [fault], shared).burns
    assert run_trial(changed, [], shared).outcome == "pass"


LAST = 6  # steps of this sequence; behind them stands the discharge of a run that ended early
SHOWS_FIRST = """
[[step]]
do = "resistance"
of = "V33"
expect = "> 100 Ω"
on_fail = "go on"

[[step]]
do = "power on"
"""


def test_a_run_ends_where_nothing_is_left_to_learn_and_is_judged_as_if_made_in_full(tmp_path: Path) -> None:
    """Every fault of the small board, at a limit under which some burn a part after a step has shown them."""
    file = wren.write(tmp_path, limit="1 A")
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('\n[[step]]\ndo = "power on"\n', SHOWS_FIRST), encoding="utf-8")
    sequence = load_sequence(file)
    planted = [[fault] for fault in fault_library(sequence.board)]
    job = Job(sequence, planted)
    full = [run_trial(sequence, faults, job.shared) for faults in planted]
    judged = job.judge(planted)
    for faults, trial, short in zip(planted, full, judged, strict=True):
        alone = job._judged(faults, trial)
        assert (short.step, short.burn, short.rescue, short.trial.error) == (
            alone.step, alone.burn, alone.rescue, alone.trial.error,
        ), faults  # fmt: skip
        assert all(trial.steps[number] == outcome for number, outcome in short.trial.steps.items() if number <= LAST)
    ended = [
        trial
        for short, trial in zip(judged, full, strict=True)
        if LAST in trial.steps.keys() - short.trial.steps.keys()
    ]
    assert len(ended) > 4
    assert not any(trial.burns for trial in ended)
    assert any(each.burn is not None and each.step is not None and each.step < each.burn.step for each in judged)


def test_an_order_of_faults_changes_nothing_and_workers_neither(tmp_path: Path) -> None:
    sequence = wren.write(tmp_path)
    names = ["R2:missing", "U2:missing", "VUSB+GND:bridge=1", "Q1:missing"]
    there, back = _rehearsed(sequence, *names), _rehearsed(sequence, *reversed(names))
    assert {each.fault: each.step for each in there.caught} == {each.fault: each.step for each in back.caught}
    assert sorted(each.fault for each in there.escaped) == sorted(each.fault for each in back.escaped)


def test_a_process_that_inherits_nothing_makes_the_job_from_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on systems where a new process begins empty."""
    sequence = wren.write(tmp_path)
    names = [["R2:missing"], ["U2:missing"], ["D1.K:net=VBAT"]]
    job = Job(load_sequence(sequence), [[parse_fault(text) for text in each] for each in names])
    monkeypatch.setattr(pool, "_job", None)
    pool._begin(str(sequence), names, True)
    first, judged = pool._work(7, names)
    assert first == 7
    assert judged == job.judge(job.planted)
    assert [each.step for each in judged] == [None, 4, 3]


# --- the command ------------------------------------------------------------------------------------------------------
def _run(*arguments: str) -> tuple[int, str]:
    """(exit code, standard output and error)."""
    from wakeboard.harness.cli import execute

    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        code = execute(["rehearse", *arguments])
    return int(code), told.getvalue()


def test_command_gives_the_document_of_the_contract(tmp_path: Path) -> None:
    code, said = _run(
        str(wren.write(tmp_path)), "--plant", "U2:missing", "--plant", "R2:missing", "--json", "--workers", "1"
    )
    document = json.loads(said[said.index("{") : said.rindex("}") + 1])
    assert code == 1  # R2 escapes
    wanted = {"sequence", "faults", "caught", "escaped", "equivalent", "burned", "coverage", "seconds"}
    assert wanted <= set(document)
    assert document["caught"][0]["fault"] == "U2:missing"
    assert document["caught"][0]["step"] == 4
    assert set(document["escaped"][0]["cheapest"]) >= {"point", "state"}
    assert document["coverage"] == 0.5


def test_command_keeps_within_80_columns_and_exits_0_where_all_is_caught(tmp_path: Path) -> None:
    code, said = _run(str(wren.write(tmp_path)), "--plant", "U2:missing", "--workers", "1")
    assert code == 0
    assert max(len(line) for line in said.splitlines()) <= 80


def test_pairs_are_drawn_by_their_seed(tmp_path: Path) -> None:
    sequence = str(wren.write(tmp_path))
    drawn = [_run(sequence, "--pairs", "3", "--seed", seed, "--json", "--workers", "1")[1] for seed in ("1", "1", "2")]
    names = [
        sorted(each["fault"] for each in json.loads(text[text.index("{") : text.rindex("}") + 1])["caught"])
        for text in drawn
    ]
    assert names[0] == names[1]
    assert all(" " in name for name in names[0])


@pytest.mark.parametrize(
    ("plant", "told"),
    [("U9:missing", "U9"), ("U2:gone", "no fault"), ("R2", "a fault is written"), ("D1.X:net=VBAT", "X")],
)
def test_a_fault_that_the_board_cannot_have_is_refused(tmp_path: Path, plant: str, told: str) -> None:
    code, said = _run(str(wren.write(tmp_path)), "--plant", plant)
    assert code == 2
    assert told in said


def test_a_board_without_parts_is_refused(tmp_path: Path) -> None:
    sequence = wren.write(tmp_path)
    text = (tmp_path / "board.toml").read_text(encoding="utf-8")
    (tmp_path / "board.toml").write_text(text[: text.index("[parts]")], encoding="utf-8")
    code, said = _run(str(sequence), "--plant", "U2:missing")
    assert code == 2
    assert "[parts]" in said


def _escapes(text: str) -> str:
    return " ".join(text[text.index("Escaped") :].split())


def test_escapes_stand_under_the_measurement_that_catches_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """R2 missing and R2 short of its value both show at one point; the step that reads the rail is told to be tighter
    where it takes that reading already."""
    from wakeboard.harness.cli import main

    sequence = wren.write(tmp_path)
    faults = ["R2:missing", "R2:open"]
    with contextlib.suppress(SystemExit):
        main(["rehearse", str(sequence), *(f"--plant={fault}" for fault in faults)])
    told = capsys.readouterr()
    text = _escapes(told.out + told.err)
    assert text.count("dc volts at") == 1
    assert "R2:missing, R2:open" in text
    assert "good boards:" in text


def test_without_a_bleed_resistor_nothing_is_read_under_it(tmp_path: Path) -> None:
    loaded = load_sequence(wren.write(tmp_path))
    job = Job(loaded, [], bleed=False)
    assert job.shared.facts.described.probing.bleed is None
    assert job.reach.sights
    assert not [sight for sight in job.reach.sights if "load=" in sight.state]
    assert [sight for sight in Job(loaded, []).reach.sights if "load=" in sight.state]
    assert rehearse(loaded, [[parse_fault("R2:missing")]], workers=1, bleed=False).faults == 1


def test_a_reading_that_a_step_takes_already_is_told_with_its_limits(tmp_path: Path) -> None:
    """Step 4 reads the rails; what shows there needs a tighter limit, not another measurement."""
    loaded = load_sequence(wren.write(tmp_path))
    job = Job(loaded, [])
    read = next(key for key in job.good.readings if key[0] == 4 and key[2] == "dc volts")
    net = loaded.board.net_of(read[1])
    there = [s for s in job.reach.sights if s.quantity == "dc volts" and loaded.board.net_of(s.point) == net]
    assert 4 in {job.reach.read_already(sight, job.good) for sight in there}
    judged = job.judge([[parse_fault("R2:missing")]])[0]
    assert judged.sight is not None
    assert judged.sight.within is not None
    low, high = judged.sight.within
    assert low < high
