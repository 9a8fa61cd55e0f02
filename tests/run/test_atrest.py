"""Before a run: what is wrong with the bench ends it as an error, or is said with its first step. Never a fail.

Figures are those of the invented board and of the tool itself, unless marked.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.describe.load import load_board, load_sequence
from wakeboard.harness.run.bench import mains
from wakeboard.harness.run.bench.bench import OpenBench
from wakeboard.harness.run.bench.opening import open_virtual
from wakeboard.harness.run.bench.probing import HandProbing
from wakeboard.harness.run.errors import SkipPoint
from wakeboard.harness.run.fitness import atrest
from wakeboard.harness.run.hand.byhand import SteadyHands
from wakeboard.harness.run.hand.operator import Operator
from wakeboard.harness.run.runner import Result, Runner
from wakeboard.harness.run.session import exit_code, run_start
from wakeboard.instruments.dialect import Asking
from wakeboard.instruments.errors import BenchError, LinkGarbled, LinkTimeout
from wakeboard.instruments.virtual.mistakes import CONTACT_OHMS, OFFSET_VOLTS


@contextmanager
def opened(toy: Any, *mistakes: str, **options: Any) -> Iterator[OpenBench]:
    with open_virtual(load_board(toy.board), unit="T-1", mistakes=mistakes, **options) as bench:
        yield bench


def run(toy: Any, bench: OpenBench) -> Result:
    sequence = load_sequence(toy.sequence)
    result = Runner(sequence, bench, run_start(sequence, bench, "T-1")).run()
    assert bench.virtual.outputs_on == []
    return result


@pytest.mark.parametrize(
    ("mistake", "told"),
    [
        ("meter:lead off", "sees an open circuit"),
        ("meter:current jack", "in another jack"),
        ("meter:offset", f"reads {OFFSET_VOLTS * 1e3:.0f}"),
        ("meter:bad contact", f"have {CONTACT_OHMS:.0f}."),
        ("meter:high impedance", "it is high-ohmic"),
    ],
)
def test_a_failing_bench_is_no_failing_board(toy: Any, mistake: str, told: str) -> None:
    with opened(toy, mistake, plants=("+3V3+GND:bridge=5",)) as bench:
        result = run(toy, bench)
    assert isinstance(result.error, BenchError)
    assert told in str(result.error)
    assert (result.outcome, exit_code(result)) == ("error", 3)
    assert result.record.steps == ()
    assert result.record.energised_s == 0.0


def test_a_good_bench_has_nothing_to_say(toy: Any) -> None:
    with opened(toy) as bench:
        assert atrest.check_at_rest(bench) == []
        assert bench.virtual.outputs_on == []
        assert bench.probing.scanner.closed() == []


def test_the_wrong_mains_frequency_is_said_and_judged_no_further(toy: Any) -> None:
    with opened(toy, "meter:60 Hz") as bench:
        result = run(toy, bench)
    assert result.outcome == "pass"
    assert "periods of 60 Hz and the mains here have 50 Hz" in result.record.steps[0].says
    assert all("60 Hz" not in step.says for step in result.record.steps[1:])


def test_a_meter_that_was_left_in_high_impedance_is_set_right_and_it_is_said(toy: Any) -> None:
    with opened(toy) as bench:
        meter = bench.virtual.instruments["meter"].meter
        meter.high_z = True
        said = atrest.check_at_rest(bench)
        assert len(said) == 1
        assert "left above 10 GΩ" in said[0]
        assert meter.high_z is False
        assert bench.input_ohms == 10e6


def test_a_meter_that_is_always_high_ohmic_is_no_mistake_and_loads_nothing(toy: Any) -> None:
    """Model 2016 specifications: above 10 GΩ to 10 V, whatever is said."""
    with opened(toy, dmm="2000") as bench:
        assert atrest.check_at_rest(bench) == []
        assert bench.input_ohms == 10e9


def test_relays_that_may_not_carry_what_the_board_can_have(toy: Any) -> None:
    with opened(toy) as bench:
        bench.relay_volts = bench.highest_volts - 0.1
        result = run(toy, bench)
    assert "relays or cables of this bench may carry" in str(result.error)
    assert exit_code(result) == 3


def test_the_cards_own_rating_counts_too(toy: Any) -> None:
    """2700 User's Manual p2-2: SYST:CARD1:VMAX?; most modules 303 V."""
    with opened(toy, scanner="2700") as bench:
        assert bench.probing.scanner.most_volts() == 303.0
        bench.highest_volts = 304.0
        with pytest.raises(BenchError, match="may carry 300 V"):
            atrest.check_at_rest(bench)


def test_a_worn_relay_is_said(toy: Any) -> None:
    with opened(toy) as bench:
        relays = bench.virtual.instruments["scanner"].relays
        relays.cycles[101] = 85_000
        said = atrest.check_at_rest(bench)
    assert len(said) == 1
    assert "relay 101 of scanner has moved 85000 times" in said[0]


def test_a_calibration_that_ends_soon_is_said(toy: Any) -> None:
    with opened(toy) as bench:
        today = datetime.date.today()
        soon, later = (today + datetime.timedelta(days=days) for days in (10, 200))
        bench.instruments = tuple(
            replace(each, calibration_due=(soon if each.kind == "psu" else later).isoformat())
            for each in bench.instruments
        )
        assert atrest.check_at_rest(bench) == [f"the calibration of supply is due on {soon.isoformat()}"]


def test_a_question_that_a_meter_does_not_know_is_no_failure(toy: Any) -> None:
    """Its dialect has the question unverified; the meter answers nothing, and with an error in its queue."""
    with opened(toy, dmm="8845a") as bench:
        patience = bench.meter.link.timeout
        assert bench.meter.speaker.if_known("calibrated", bench.meter.calibrated) is None
        assert bench.meter.link.timeout == patience
        assert bench.volts().value == pytest.approx(0.0, abs=1e-3)


def test_a_meter_that_is_asked_in_one_line_with_checks_may_not_know_it_either(toy: Any) -> None:
    """It answers the *OPC? alone, one, two or none of them in turn."""
    with opened(toy, dmm="34401a") as bench:
        speaker = bench.meter.speaker
        assert speaker.link.manners.checked
        speaker.dialect = speaker.dialect.model_copy(update={"unverified": ("mains",)})
        question = Asking(send="SYST:LFR?")
        for _ in range(4):
            assert speaker.if_known("mains", lambda: speaker.ask([question], {})) is None
        assert bench.volts().value == pytest.approx(0.0, abs=1e-3)
        with pytest.raises((LinkTimeout, LinkGarbled)):
            speaker.if_known("terminals", lambda: speaker.ask([question], {}))


# --- by hand ---------------------------------------------------------------------------------------------------------
def by_hand(toy: Any, bench: OpenBench, hands: SteadyHands, answer: Any) -> OpenBench:
    bench.probing = HandProbing(load_board(toy.board), answer, asks_short=not hands.zeroed)
    bench.zero_seen = hands.zero_seen
    return bench


def test_a_person_is_asked_to_touch_the_tips_together_once_a_session(toy: Any) -> None:
    hands, told = SteadyHands(Operator()), []
    with opened(toy) as bench:
        scanner, short = bench.probing.scanner, bench.probing._short_channel

        def touch(title: str, detail: str) -> None:
            told.append(title)
            scanner.only(short)

        assert atrest.check_at_rest(by_hand(toy, bench, hands, touch)) == []
        assert told == ["Hold the two probe tips together"]
        assert atrest.check_at_rest(by_hand(toy, bench, hands, touch)) == []
        assert len(told) == 1


def test_tips_that_do_not_touch_are_the_benchs_fault_and_are_asked_for_again(toy: Any) -> None:
    hands = SteadyHands(Operator())
    with opened(toy) as bench:
        with pytest.raises(BenchError, match="open circuit"):
            atrest.check_at_rest(by_hand(toy, bench, hands, lambda title, detail: None))
        assert not hands.zeroed


def test_a_person_may_skip_it(toy: Any) -> None:
    def skips(title: str, detail: str) -> None:
        raise SkipPoint(title)

    with opened(toy) as bench:
        said = atrest.check_at_rest(by_hand(toy, bench, SteadyHands(Operator()), skips))
    assert said == ["that the meter reads zero with its leads together was skipped"]


# --- the mains of a place --------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("setting", "hertz"),
    [("de_DE.UTF-8", 50.0), ("en_US.UTF-8", 60.0), ("ja_JP.UTF-8", None), ("C.UTF-8", None), ("zh_Hant_TW", 60.0)],
)
def test_the_usual_mains_frequency_of_a_territory(
    monkeypatch: pytest.MonkeyPatch, setting: str, hertz: float | None
) -> None:
    """IEC world plugs list, from memory: Japan has both."""
    for key in ("LC_MEASUREMENT", "LANG"):
        monkeypatch.delenv(key, raising=False)
    monkeypatch.setenv("LC_ALL", setting)
    assert mains.usual_mains() == hertz


def test_without_transients_only_the_input_is_looked_at() -> None:
    asked: list[str] = []
    seen = SimpleNamespace(value=0.0, u=1e-4)
    bench = SimpleNamespace(
        self_check=False, input_ohms=10e6, volts=lambda: asked.append("volts") or seen,
        probing=SimpleNamespace(by_hand=False, release=lambda: None, load=lambda _ohms: None),
    )  # fmt: skip
    assert atrest.check_at_rest(bench) == []
    assert asked == ["volts"]
