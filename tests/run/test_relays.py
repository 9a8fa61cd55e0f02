"""Relays are moved cold, and how often they moved is kept with the run.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.bench.probing import HotSwitch, RelayProbing
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import run_start
from wakeboard.instruments.errors import BenchError


class Card:
    """A scanner that writes down what it is told, and whether the meter drove a current meanwhile."""

    def __init__(self, meter: Any, hot_amps: float = 0.010) -> None:
        self.meter = meter
        self.name, self.hot_amps = "scanner", hot_amps
        self.moves: list[tuple[str, bool]] = []

    def __getattr__(self, name: str) -> Any:
        return lambda channel="": self.moves.append((f"{name} {channel}".strip(), self.meter.drives_current))


class Meter:
    def __init__(self, volts: float) -> None:
        self.volts = volts
        self.drives_current = False

    def dc_volts(self, range: float | None = None, nplc: float | None = None, count: int = 1) -> Any:
        self.drives_current = False
        return SimpleNamespace(value=self.volts)

    def stop_current(self, range: float) -> None:
        self.dc_volts(range)


def probing(volts: float, ohms: float, hot_amps: float = 0.010) -> tuple[RelayProbing, Card, Meter]:
    meter = Meter(volts)
    card = Card(meter, hot_amps)
    made = RelayProbing(card, {"A": "101", "B": "102"}, reverse_channel="103", load_channels={ohms: "104"}, meter=meter,
                        most_volts=5.5)  # fmt: skip
    return made, card, meter


def test_the_meter_leaves_its_ohms_function_before_a_relay_moves() -> None:
    made, card, meter = probing(0.0, 10e3)
    for move in (lambda: made.reach("A"), lambda: made.reverse(True), lambda: made.reverse(False),
                 lambda: made.load(10e3), lambda: made.load(None), lambda: made.reach("B"), made.release):  # fmt: skip
        meter.drives_current = True
        move()
    assert len(card.moves) == 7
    assert not any(hot for _, hot in card.moves)


@pytest.mark.parametrize(("volts", "allowed"), [(0.4, True), (5.0, False), (-5.0, False)])
def test_a_small_resistor_is_not_switched_onto_a_live_net(volts: float, allowed: bool) -> None:
    """47 Ω: 8.5 mA at 0.4 V, 106 mA at 5 V; low level on a 34970A card ends at 10 mA (its guide, p321)."""
    made, card, _ = probing(volts, 47.0)
    if allowed:
        assert made.load(47.0) == 47.0
        assert card.moves == [("close 104", False)]
        return
    with pytest.raises(HotSwitch, match="106 mA"):
        made.load(47.0)
    assert card.moves == []


def test_a_resistor_that_can_never_carry_too_much_costs_no_reading() -> None:
    made, card, meter = probing(5.0, 10e3)
    meter.dc_volts = None  # type: ignore[assignment,method-assign]
    assert made.load(10e3) == 10e3
    assert card.moves == [("close 104", False)]


def test_a_whole_run_moves_no_relay_hot_and_keeps_the_counts(toy: Any) -> None:
    sequence = load_sequence(toy.sequence)
    with open_virtual(sequence.board, unit="T-1") as bench:
        meter, driven = bench.meter, []
        scanner: Any = getattr(bench.probing, "scanner")  # noqa: B009  of the relays only
        for name in ("close", "open", "open_all", "only"):
            move = getattr(scanner, name)

            def watched(*channel: Any, move: Any = move) -> Any:
                driven.append(meter.drives_current)
                return move(*channel)

            setattr(scanner, name, watched)
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
        relays = bench.virtual.instruments["scanner"].relays
    assert len(driven) > 10
    assert not any(driven)
    counts = result.record.steps[-1].detail["relay_counts"]
    assert counts
    assert all(counts[channel] == relays.cycles.get(int(channel), 0) for channel in counts)
    assert all("relay_counts" not in step.detail for step in result.record.steps[:-1])


def test_what_was_read_through_a_relay_that_somebody_opened_counts_for_nothing(toy: Any) -> None:
    """An open input reads about zero, which a discharge would take for a rail without charge, and a short check for no
    short."""
    made, card, _ = probing(0.0, 10e3)
    card.closed = True  # type: ignore[attr-defined]
    card.is_closed = lambda channel: card.closed  # type: ignore[attr-defined]
    assert made.held(), "nothing is reached"
    made.reach("A")
    assert made.held()
    card.closed = False  # type: ignore[attr-defined]
    with pytest.raises(BenchError, match="channel 101 was opened while A was measured"):
        made.held()


STEPS = """
[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
why = "a test"

[[step]]
do = "power off"
"""
CHECK = """
[[step]]
do = "resistance"
of = "every supply"
expect = "> 1 kΩ"
"""


@pytest.mark.parametrize("steps", [STEPS, CHECK], ids=["discharge", "short check"])
def test_no_discharge_and_no_short_check_through_a_relay_that_is_opened_behind_it(toy: Any, steps: str) -> None:
    sequence = load_sequence(toy.steps(steps))
    with open_virtual(sequence.board, unit="T-1") as bench:
        bench.self_check = False
        scanner = bench.probing.scanner
        close, psu = scanner.only, bench.virtual.psus[0].supply.outputs[0]
        was_on: list[bool] = []

        def closes_and_opens(channel: str) -> None:
            close(channel)
            was_on.append(psu.on)
            if steps == CHECK or (True in was_on and not psu.on):
                bench.virtual.instruments["scanner"].execute(f"ROUT:OPEN (@{channel})")

        scanner.only = closes_and_opens
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert result.outcome == "error", result.record.says
    assert "was opened while" in str([each.says for each in result.record.steps])
