"""The key of a reading: canonical, readable, and readable back.

Figures are those of the invented board and of the tool itself, unless marked.
"""

import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakeboard.harness.describe.state import BenchState, StateError

SEEDED = settings(derandomize=True, deadline=None)  # the same examples every time

names = st.text("ABCXYZ0123_", min_size=1, max_size=6)
volts = st.floats(0.1, 60).map(lambda v: float(f"{v:.5g}"))


def test_the_key_of_the_contract():
    state = BenchState({"USB": (5.0, 0.12)}, {"U1.GPIO7": "low"}, 10e6)
    assert state.key == "USB=5V@120mA; U1.GPIO7=low; load=10MΩ"
    assert BenchState.parse(state.key) == state


def test_nothing_on():
    assert BenchState().key == "off"
    assert BenchState.parse("off") == BenchState()
    assert BenchState(load_ohms=10e3, to="+3V3").key == "off; load=10kΩ>+3V3"
    assert BenchState.parse("off; load=10kΩ>+3V3").to == "+3V3"


def test_order_does_not_matter():
    first = BenchState({"USB": (5, 0.1), "CELL": (3.7, 0.1)}, {"U1.B": "low", "U1.A": "high"})
    second = BenchState({"CELL": (3.7, 0.1), "USB": (5, 0.1)}, {"U1.A": "high", "U1.B": "low"})
    assert first == second
    assert hash(first) == hash(second)
    assert first != BenchState({"USB": (5, 0.1)})


def test_it_is_frozen_and_crosses_a_process_border():
    state = BenchState({"USB": (5.0, 0.12)})
    with pytest.raises(TypeError):
        state.supplies["CELL"] = (3.7, 0.1)
    assert pickle.loads(pickle.dumps(state)) == state


@pytest.mark.parametrize("text", ["USB", "USB=5@120mA", "USB=5V@x", "load=soft"])
def test_no_state(text):
    with pytest.raises(StateError):
        BenchState.parse(text)


@SEEDED
@given(
    st.dictionaries(names, st.tuples(volts, volts), max_size=3),
    st.dictionaries(st.tuples(names, names).map(".".join), st.sampled_from(["high", "low", "off", "up"]), max_size=3),
    st.none() | volts,
)
def test_every_key_is_read_back(supplies, pins, load):
    state = BenchState(supplies, pins, load)
    again = BenchState.parse(state.key)
    assert again.key == state.key
    assert (again.supplies, again.pins) == (state.supplies, state.pins)
