"""The step "probe": one point as it is, judged against nothing, with a resistor of the bench's or of a person's.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_sequence
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.runner import Runner
from wakeboard.harness.run.session import run_start

BEFORE = """
[[step]]
do = "resistance"
of = "every supply"

[[step]]
do = "power on"
supply = "USB"
limit = "120 mA"
"""
PROBE = """
[[step]]
name = "it"
do = "probe"
of = "EN"
"""


def probe(toy: Any, more: str = "", *, loads: bool = True, asker: Callable[[str, bool], str] | None = None) -> Any:
    """The step as the run kept it, and the run."""
    sequence = load_sequence(toy.steps(BEFORE + PROBE + more))
    with open_virtual(sequence.board, unit="T-1", plants=["R2:missing", "U1.GPIO1:pull_up=10k"]) as bench:
        if not loads:
            relays: Any = bench.probing
            relays._loads.clear()
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1"), asker=asker).run()
        assert bench.virtual.outputs_on == []
    step = next((step for step in result.record.steps if step.name == "it"), None)
    return step, result


def test_whatever_it_reads_passes(toy: Any) -> None:
    """A pin that should be low and is pulled up: a reading, no judgement."""
    step, _ = probe(toy)
    (reading,) = step.readings
    assert step.outcome == "pass"
    assert reading.value == pytest.approx(3.3, abs=0.1)
    assert (reading.low, reading.high) == (None, None)
    assert reading.state == "USB=5V@120mA; load=10MΩ"


def test_the_benchs_own_resistor_is_put_across(toy: Any) -> None:
    """10 kΩ to 3.3 V against 10 kΩ to ground: half of it."""
    step, _ = probe(toy, 'load = "10 kΩ"')
    (reading,) = step.readings
    assert reading.value == pytest.approx(1.65, abs=0.05)
    assert "load=9.99" in reading.state


def test_a_person_holds_one_where_the_bench_has_none(toy: Any) -> None:
    asked: list[str] = []

    def answer(question: str, text: bool) -> str:
        asked.append(question)
        return "yes"

    step, _ = probe(toy, 'load = "10 kΩ"', loads=False, asker=answer)
    assert "Hold 10 kΩ from EN to ground" in asked[0]
    assert asked[1].startswith("Take the resistor off")
    assert "load=9.99" in step.readings[0].state


@pytest.mark.parametrize("asker", [None, lambda question, text: "no"])
def test_without_anybody_to_hold_it_nothing_is_read(toy: Any, asker: Any) -> None:
    step, result = probe(toy, 'load = "10 kΩ"', loads=False, asker=asker)
    assert step.outcome == "skipped"
    assert step.readings == ()
    assert result.outcome in ("pass", "skipped")


def test_it_needs_power(toy: Any) -> None:
    """On paper, and where it is asked for as a run goes."""
    from wakeboard.harness.describe.sequence.steps import step_kinds

    with pytest.raises(FileProblems, match='"probe" with no supply on'):
        load_sequence(toy.steps(PROBE))
    wanted = step_kinds()["probe"].Model.model_validate({"do": "probe", "of": "EN"})
    sequence = load_sequence(toy.steps('[[step]]\ndo = "resistance"\nof = "AUX"\n'))
    with open_virtual(sequence.board, unit="T-1") as bench:
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1"), more=lambda _: wanted).run()
    assert "no supply is on" in str(result.error)


def test_further_steps_are_asked_for_until_there_are_none(toy: Any) -> None:
    """What a run asks for as it goes runs under the same guard, and is committed like the rest."""
    from wakeboard.harness.describe.sequence.steps import step_kinds

    sequence = load_sequence(toy.steps(BEFORE))
    wanted = [
        step_kinds()["probe"].Model.model_validate({"do": "probe", "of": "+3V3"}),
        step_kinds()["power off"].Model.model_validate({"do": "power off"}),
    ]
    seen: list[int] = []

    def more(runner: Runner) -> Any:
        seen.append(len(runner.steps))
        return wanted.pop(0) if wanted else None

    with open_virtual(sequence.board, unit="T-1") as bench:
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1"), more=more).run()
        assert bench.virtual.outputs_on == []
    assert [step.kind for step in result.record.steps] == ["resistance", "power on", "probe", "power off"]
    assert seen == [2, 3, 4]
    assert result.outcome == "pass"


def test_what_is_asked_for_may_not_energise_unchecked(toy: Any) -> None:
    from wakeboard.harness.describe.sequence.steps import step_kinds

    sequence = load_sequence(toy.steps('[[step]]\ndo = "resistance"\nof = "AUX"\n'))
    on = step_kinds()["power on"].Model.model_validate({"do": "power on", "supply": "USB", "limit": "120 mA"})
    with open_virtual(sequence.board, unit="T-1") as bench:
        result = Runner(sequence, bench, run_start(sequence, bench, "T-1"), more=lambda _: on).run()
        assert bench.virtual.outputs_on == []
    assert "its check for a short has not passed" in str(result.error)
    assert result.record.energised_s == 0.0
