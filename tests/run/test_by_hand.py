"""Probing by hand: prompts with point, place and net, in an order that saves movement, one key an answer."""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.bench.probing import HandProbing
from wakeboard.harness.run.errors import OperatorStop, SkipPoint
from wakeboard.harness.run.hand import operator as operator_module
from wakeboard.harness.run.hand.operator import Operator
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import exit_code, run_start


class Hands:
    """A person: puts the virtual leads where the prompt says, through the scanner that the bench has anyway."""

    def __init__(self, bench: Any, skips: str = "", stops: str = "") -> None:
        self.relays = bench.probing
        self.told: list[tuple[str, str]] = []
        self.skips, self.stops = skips, stops

    def tell(self, title: str, detail: str) -> None:
        self.told.append((title, detail))
        if self.skips and self.skips in title:
            raise SkipPoint(title)
        if self.stops and self.stops in title:
            raise OperatorStop(title)
        if "net " in detail:
            self.relays.reach(detail.split("net ")[1].split()[0])
        elif title == "Reverse the leads":
            self.relays.reverse("black lead on the point" in detail)


def run_by_hand(toy: Any, **manner: str) -> tuple[Any, Hands, Any]:
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1") as bench:
        hands = Hands(bench, **manner)
        bench.probing = HandProbing(sequence.board, hands.tell)
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
        assert bench.virtual.outputs_on == []
        return result, hands, sequence.board


def test_a_run_by_hand_finds_what_relays_find(toy: Any) -> None:
    result, hands, _ = run_by_hand(toy)
    outcomes = [(step.name, step.outcome) for step in result.record.steps]
    assert all(outcome == "pass" for name, outcome in outcomes), outcomes
    title, detail = hands.told[0]
    assert title == "Probe TP1"
    assert "left edge, first pad" in detail
    assert "net VUSB" in detail


def test_the_order_follows_the_edges_of_the_board(toy: Any) -> None:
    board = load_board(toy.board)
    probing = HandProbing(board, lambda title, detail: None)
    assert probing.order(["EN", "VAUX", "+3V3", "VUSB", "VIN"]) == ["VUSB", "VIN", "+3V3", "VAUX", "EN"]


def test_the_same_net_is_not_asked_for_twice(toy: Any) -> None:
    told = []
    probing = HandProbing(load_board(toy.board), lambda title, detail: told.append(title))
    probing.reach("VUSB")
    probing.reach("VUSB")
    probing.reach("VIN")
    assert told == ["Probe TP1", "Probe TP2"]


def test_a_skipped_point_is_recorded_as_skipped(toy: Any) -> None:
    result, _, _ = run_by_hand(toy, skips="TP3")
    rails = next(step for step in result.record.steps if step.name == "rails")
    assert {reading.of: reading.outcome for reading in rails.readings} == {"+3V3": "skipped", "VIN": "pass"}


def test_stop_ends_the_run_without_more_prompts(toy: Any) -> None:
    result, hands, _ = run_by_hand(toy, stops="TP3")
    assert exit_code(result) == 4
    assert hands.told[-1][0] == "Probe TP3"
    assert result.record.steps[-1].name == "discharge"
    assert "by hand before touching" in result.record.steps[-1].says


def operator(keys: str, beats: list[int] | None = None) -> tuple[Operator, list[str]]:
    said: list[str] = []
    pressed = iter(keys)
    waiting: list[int] = beats if beats is not None else []

    def key(_seconds: float) -> str | None:
        return next(pressed)

    return Operator(beat=lambda: waiting.append(1), write=said.append, read_key=key), said


def test_one_key_accepts_repeats_skips_or_stops() -> None:
    beats: list[int] = []
    person, said = operator("xr\n", beats)
    person.tell("Probe TP7", "bottom edge   net RADIO_RST")
    assert len(beats) == 3
    assert sum("Probe TP7" in text for text in said) == 2
    with pytest.raises(SkipPoint):
        operator("s")[0].tell("Probe TP7", "")
    with pytest.raises(OperatorStop):
        operator("q")[0].tell("Probe TP7", "")


def test_yes_and_no() -> None:
    assert operator("y")[0].ask("Smoke?") == "yes"
    assert operator("xn")[0].ask("Smoke?") == "no"
    with pytest.raises(OperatorStop):
        operator("q")[0].ask("Smoke?")


def test_a_key_that_was_meant_for_the_question_before_answers_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pressed as the next question came; a stop counts at once."""
    now = iter([10.0, 10.1, 10.2, 10.5, 20.0, 20.1])
    monkeypatch.setattr(operator_module.time, "monotonic", lambda: next(now))
    operator = Operator(write=lambda _text: None)
    operator.prompt("Next: USB on", "", "Enter: power on   q: stop")
    assert operator._in_time("\r") is None
    assert operator._in_time("k") is None
    assert operator._in_time("\r") == "\r"
    operator.prompt("Next: USB on", "", "Enter: power on   q: stop")
    assert operator._in_time("q") == "q"
