"""Every documented value of every part kind, in a part that is then changed: a variant shares the circuit's layout."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from wakeboard.instruments.virtual.circuit import Circuit, Part, Variant
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.faults.library import library
from wakeboard.instruments.virtual.circuit.parts import kinds

TEXTS = {"enable_pull": "up", "channel": "p", "polarity": "pnp", "rail": "VDD", "shape": "resistive"}
NUMBERS = {"V": 1.5, "A": 20e-6, "Ω": 220.0, "F": 1e-8, "H": 1e-6, "S": 1e-6, "s": 1e-3, "W": 0.01}
NUMBERS |= {"Hz": 8e6, "A/V²": 0.1, "": 0.5}
CHIP = {"io": {"P1": {"type": "io"}}, "supply": {"VDD": {"draws": 1e-3}}}
ALL_PINS = {"VDD": "vdd", "GND": "GND", "P1": "p1"}


def _given(kind: Any, key: str) -> Any:
    quantity = kind.values[key]
    if isinstance(quantity.default, bool):
        return not quantity.default
    return TEXTS.get(key, quantity.default) if isinstance(quantity.default, str) else TEXTS.get(key, _number(quantity))


def _number(quantity: Any) -> float:
    return float(quantity.default) * 0.9 if isinstance(quantity.default, float) else NUMBERS[quantity.unit]


def _part(kind: Any, key: str | None) -> Part:
    values = {name: NUMBERS[each.unit] for name, each in kind.values.items() if each.required}
    values |= {} if key is None else {key: _given(kind, key)}
    values |= CHIP if kind.name == "chip" else {}
    pins = ALL_PINS if kind.any_pins else {pin: "GND" if pin == "GND" else f"n{pin}" for pin in kind.pins}
    return Part("U1", kind.name, pins, values)


def _cases() -> Iterator[Any]:
    for kind in kinds().values():
        if not kind.bench:
            yield from (pytest.param(kind, key, id=f"{kind.name}-{key}") for key in (None, *kind.values))


@pytest.mark.parametrize(("kind", "key"), list(_cases()))
def test_a_part_with_the_key_takes_every_fault_and_turn(kind: Any, key: str | None) -> None:
    part = _part(kind, key)
    nets = [net for net in dict.fromkeys(part.pins.values()) if net != "GND"]
    held = [Part(f"R{n}", "resistor", {"1": net, "2": "GND"}, {"value": 1e5}) for n, net in enumerate(nets)]
    circuit = Circuit([part, *held], ground="GND")
    model = circuit.compile()
    overrides = [{}, {"missing": True}]
    overrides += [{name: not each.default} for name, each in kind.values.items() if isinstance(each.default, bool)]
    overrides += [{} if key is None else {key: _given(kind, key)}]
    for each in overrides:
        model.parameters(0, each)
    texts = [fault for fault in library(circuit) if fault.target.partition(".")[0] == "U1"]
    texts += [Fault("U1", text) for text in ("reversed", "missing") if text in kind.faults]
    model.parameters_of([model.plan(Variant((fault,))) for fault in texts])


def test_what_is_kept_of_a_pin_is_what_a_fresh_model_writes() -> None:
    """A chip's pins are kept by their own overrides and those of the whole part: after many, each is as if alone."""
    io = {f"P{k}": {"type": "io", "leak": 1e-8, "pull_up": 5e4} for k in (1, 2, 3)}
    values = {"io": io, "supply": {"VDD": {"draws": 1e-3, "standby": 1e-6}, "VIO": {"draws": 2e-3}}}
    nets = {"VDD": "vdd", "VIO": "vio", "GND": "GND", "P1": "p1", "P2": "p2", "P3": "p3"}
    circuit = Circuit([Part("U1", "chip", nets, values)], ground="GND")
    overrides: list[dict[str, Any]] = [
        {}, {"P1.drive": "high"}, {"P1.drive": "low"}, {"P1.drive": "high", "P2.ohms": 25.0}, {"P2.ohms": 25.0},
        {"P2.ohms": 25.0, "P2.drive": "low"}, {"P3.pull_up": 4e4}, {"P3.leak": -1e-8}, {"VIO.draws": 3e-3},
        {"VDD.draws": 3e-3, "P1.drive": "high"}, {"P2.to_rail": 0.0}, {"dead": True},
        {"P1.drive": "high", "dead": True}, {"asleep": True}, {"wakes": 1.5}, {"wakes": 1.5, "P1.drive": "high"},
        {"clamp_saturation": 2e-14}, {"missing": True}, {"missing": True, "P1.drive": "high"},
    ]  # fmt: skip
    kept = circuit.compile()
    found = [kept.parameters(0, each) for each in [*overrides, *reversed(overrides)]]
    alone = [circuit.compile().parameters(0, each) for each in overrides]
    assert len({tuple(each) for each in alone}) > len(alone) - 3  # missing or dead, a part drives nothing
    for got, want in zip(found, [*alone, *reversed(alone)], strict=True):
        assert got.tolist() == want.tolist()
