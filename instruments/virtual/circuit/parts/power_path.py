"""Load switch, ideal diode, charger, supervisor."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..draft import Draft, ramp
from ..kind import Kind, Quantity
from ..leakage import leak, stated_leak
from ..part import Part, Value
from .regulators import COMMON, GATE, RUNS, alive, always_on, body_diode, enable_gate, enable_pull, quiescent

if TYPE_CHECKING:
    from wakeboard.instruments.virtual.circuit.solver.transient import Probe

_ENABLE = {name: COMMON[name] for name in ("enable_above", "active_low", "enable_pull", "enable_pull_ohms",
                                           "enable_leak_ohms", "quiescent", "dead")}  # fmt: skip


def _load_switch(d: Draft) -> None:
    siemens, limit = 1 / d.positive("ohms"), d.positive("limit")
    gates = (enable_gate(d), ("IN", "GND", *ramp(d.number("lockout"), GATE)))
    path = ("IN", "OUT", siemens, 0.0)
    d.valve("IN", "OUT", path, low=-limit, high=limit, gates=gates, scale=alive(d))
    if not d.part.values.get("blocks_reverse", False):
        body_diode(d, "OUT", "IN")
    quiescent(d, "IN", gates)
    drain = d.value("drain_ohms")
    d.conductance("OUT", "GND", 1 / d.positive("drain_ohms") if drain else 1e-8)
    stated_leak(d, "IN", "OUT", either_way=True)
    enable_pull(d)


def _ideal_diode(d: Draft) -> None:
    siemens = 1 / d.positive("ohms")
    d.valve("A", "K", ("A", "K", siemens, 0.0), high=d.positive("limit"), scale=alive(d))
    stated_leak(d, "K", "A", either_way=True)
    if d.has("GND"):
        always_on(d, "K")


def _charger(d: Draft) -> None:
    """Constant current, then constant voltage, from IN into BAT; nothing flows back but `leak`."""
    siemens = 1 / d.positive("load_ohms")
    gates = (enable_gate(d), ("IN", "BAT", *ramp(d.number("headroom"), 0.05)))
    through = d.positive("current") / d.positive("dropout")
    d.valve(
        "IN",
        "BAT",
        ("GND", "BAT", siemens, siemens * d.positive("volts")),
        ("IN", "BAT", through, 0.0),
        high=d.positive("current"),
        gates=gates,
        scale=alive(d),
    )
    leak = d.number("leak")
    d.valve("BAT", "GND", ("BAT", "GND", max(leak, 1e-15) / 0.5, 0.0), high=leak)
    quiescent(d, "IN", (("IN", "GND", *ramp(1.5, 0.5)),))
    enable_pull(d)


def _supervisor(d: Draft) -> None:
    """OUT held low while VDD is between what keeps the part alive and its threshold, or while a `hold` runs."""
    siemens = 1 / d.positive("ohms")
    low = ("OUT", "GND", siemens, 0.0)
    above = ramp(d.positive("threshold"), 0.02)
    alive_gate = ("VDD", "GND", *ramp(0.9, 0.2))
    held = bool(d.value("held"))
    falls = ("VDD", "GND", 0.0, 1.0) if held else ("VDD", "GND", -above[0], 1 - above[1])
    d.valve("OUT", "GND", low, high=d.positive("sink"), gates=(falls, alive_gate), scale=alive(d))
    # a push-pull one drives OUT up to VDD as well
    rises = ("VDD", "GND", 0.0, -1.0) if held else ("VDD", "GND", *above)
    pushes = alive(d) if d.value("push_pull") else 0.0
    d.valve("VDD", "OUT", ("VDD", "OUT", siemens, 0.0), high=d.positive("sink"), gates=(rises,), scale=pushes)
    always_on(d, "VDD")
    d.conductance("OUT", "GND", 1e-8)
    stated_leak(d, "OUT", "GND", either_way=True)


def _release_later(part: Part, probe: Probe, memory: dict[str, Any]) -> Mapping[str, Value]:
    """Hold OUT low for `delay` after VDD came up."""
    threshold, delay = float(part.values["threshold"]), float(part.values.get("delay", 0.0) or 0.0)
    if not delay:
        return {}
    if probe.volts("VDD") < threshold:
        memory.pop("since", None)
        return {"held": True}
    since = memory.setdefault("since", probe.time)
    return {} if probe.time - since >= delay else {"held": True}


KINDS = (
    Kind(
        "load_switch",
        ("IN", "OUT", "EN", "GND"),
        {
            **_ENABLE,
            "ohms": Quantity("Ω", 0.1, "on-resistance"),
            "limit": Quantity("A", 1e3, "current limit"),
            "lockout": Quantity("V", 1.0, "input voltage below which it stays off"),
            "body": COMMON["body"],
            "drain_ohms": Quantity("Ω", None, "what holds OUT down, if anything does"),
            "blocks_reverse": Quantity("", False, "no body diode from OUT to IN"),
            "leak": leak("from IN to OUT while it is off"),
        },
        _load_switch,
        "a switched path with a body diode from OUT to IN",
        optional=("EN",),
        short=(("IN", "OUT"),),
        thermal_s=0.5,
        main="ohms",
        faults=("missing", "dead", "short"),
        pulls_to="IN",
    ),
    Kind(
        "ideal_diode",
        ("A", "K", "GND"),
        {
            "ohms": Quantity("Ω", 0.05, "on-resistance"),
            "limit": Quantity("A", 1e3, "current limit"),
            "quiescent": Quantity("A", 1e-6, "its own supply current, from K"),
            "runs_from": RUNS,
            "leak": leak("from K to A, against its direction"),
            "dead": Quantity("", False, "conducts nothing"),
        },
        _ideal_diode,
        "a transistor that conducts one way only",
        optional=("GND",),
        short=(("A", "K"),),
        mirrored={"A": "K", "K": "A"},
        thermal_s=0.5,
        main="ohms",
        faults=("missing", "dead", "short", "reversed"),
        pulls_to="A",
    ),
    Kind(
        "charger",
        ("IN", "BAT", "EN", "GND"),
        {
            **_ENABLE,
            "volts": Quantity("V", 4.2, "end-of-charge voltage"),
            "current": Quantity("A", 0.1, "charging current"),
            "leak": Quantity("A", 1e-6, "taken from the cell when idle"),
            "load_ohms": Quantity("Ω", 0.1, "output resistance at constant voltage"),
            "dropout": Quantity("V", 0.2, "least IN - BAT at full current"),
            "headroom": Quantity("V", 0.05, "IN must stand this far above BAT"),
        },
        _charger,
        "a linear charger for one lithium cell; blocks from BAT to IN",
        optional=("EN",),
        short=(("IN", "BAT"),),
        thermal_s=1.0,
        main="volts",
        faults=("missing", "dead", "short"),
        pulls_to="IN",
    ),
    Kind(
        "supervisor",
        ("VDD", "OUT", "GND"),
        {
            "threshold": Quantity("V", None, "VDD below which OUT is held low", required=True),
            "ohms": Quantity("Ω", 50.0, "OUT's resistance when low"),
            "sink": Quantity("A", 10e-3, "most that OUT sinks"),
            "push_pull": Quantity("", False, "drives OUT high as well"),
            "quiescent": Quantity("A", 5e-6, "its own supply current"),
            "runs_from": RUNS,
            "delay": Quantity("s", 0.0, "OUT stays low this long after VDD came up"),
            "leak": leak("of OUT to ground while it is released"),
            "held": Quantity("", False, "OUT held low, whatever VDD"),
            "dead": Quantity("", False, "never pulls"),
        },
        _supervisor,
        "a reset supervisor, open drain",
        short=(("OUT", "GND"),),
        main="threshold",
        faults=("missing", "dead"),
        pulls_to="VDD",
        react=_release_later,
    ),
)
