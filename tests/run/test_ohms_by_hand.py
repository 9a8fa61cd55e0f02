"""An ohms reading by hand on a net with capacitors: the look whether the probe is still there lets them go, and they
have to charge once more. A capacitor under a constant current: u = I t / C, read as u / I."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from wakeboard.harness.run.services.meter import Probes
from wakeboard.instruments.ports import Measurement

SCALE, TEST = 100e3, 10e-6  # Ω, A
INTEGRATES = 0.2  # s of one reading


class Net:
    """A net under the meter's test current. farads to ground; ohms: what lies there as well; lifts: at which of its
    readings the hand is in the air."""

    def __init__(self, farads: float = 0.0, ohms: float = math.inf, lifts: tuple[int, ...] = ()) -> None:
        self.farads, self.ohms_there, self.lifts = farads, ohms, lifts
        self.now = self.charged = 0.0
        self.read = self.asked = 0
        self.by_hand = True
        self.probing = self

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        self.charged += seconds  # the meter stays in its function

    def held(self) -> bool:
        """Volts, with the input high and low by turns: longer than any of these nets keeps its charge."""
        self.asked += 1
        self.now += 2.0
        self.charged = 0.0
        return True

    def ohms(self, scale: float) -> Measurement:
        self.sleep(INTEGRATES)
        self.read += 1
        value = self.ohms_there
        if self.farads:
            tau = self.ohms_there * self.farads
            share = (
                self.charged / self.farads if math.isinf(tau) else self.ohms_there * -math.expm1(-self.charged / tau)
            )
            value = min(share, self.ohms_there)
        if self.read in self.lifts or value > 1.2 * scale:
            return Measurement(math.inf, "Ω", math.inf, scale, True, self.now)
        return Measurement(value, "Ω", 1e-4 * value, scale, False, self.now)


def probes(net: Net) -> Any:
    time = SimpleNamespace(pulse=lambda *_: None, sleep=net.sleep)
    return Probes(None, net, _Clock(net, time), None, None)  # type: ignore[arg-type]


class _Clock:
    def __init__(self, net: Net, time: Any) -> None:
        self._net, self.pulse, self.sleep = net, time.pulse, time.sleep

    @property
    def now(self) -> float:
        return self._net.now


@pytest.mark.parametrize("farads", [1e-9, 1e-6, 22e-6, 100e-6])
def test_an_open_net_with_a_capacitor_reads_open_and_asks_once(farads: float) -> None:
    net = Net(farads)
    meter = probes(net)
    seen = meter.ohms(SCALE)
    while not seen.overload:  # as the step does: read again until it stands still, or is beyond the range
        net.sleep(1.0)
        seen = meter.ohms(SCALE)
    assert net.asked == 1


def test_a_resistor_behind_a_capacitor_is_itself_after_a_lead_that_was_in_the_air() -> None:
    net = Net(10e-6, 47e3, lifts=(1,))
    assert probes(net).ohms(SCALE).value == pytest.approx(47e3, rel=0.02)


@pytest.mark.parametrize("lifts", [(1, 3), (1, 3, 5), (1, 4)])
def test_a_short_is_never_open_by_a_hand_that_lifts_between(lifts: tuple[int, ...]) -> None:
    seen = probes(Net(ohms=0.5, lifts=lifts)).ohms(SCALE)
    assert not seen.overload
    assert seen.value == 0.5
