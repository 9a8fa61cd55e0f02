"""Linear and switching regulators.

ldo: a pass element from IN to OUT that never sinks: it aims at `volts` through `load_ohms`, gives way when IN is too
low (`dropout` at the rated current), stops at `limit`, runs above `lockout` and with EN above `enable_above`; the body
diode of its pass transistor conducts from OUT to IN. `drain_ohms` holds OUT down when it is off, if it has such a
switch.
buck, boost: by power balance with an efficiency; a boost's rectifier passes its input to its output when it is off.
A `dead` one delivers nothing and draws nothing; its body diode stays.
"""

from __future__ import annotations

from ..draft import GROUND, Affine, Draft, ramp
from ..kind import Kind, Quantity, pick

GATE = 0.1  # V over which an enable or lock-out goes from off to on
BODY_SATURATION, BODY_OHMS = 1e-12, 0.05  # of the body diode
RUNS_FROM, RUNNING = 0.9, 0.4  # V, and V over which: what a part needs to draw at all (common practice, no source)


def enable_gate(d: Draft) -> Affine:
    """The gate of EN against GND, always open without the pin; `active_low` turns it round."""
    if not d.has("EN"):
        return (GROUND, GROUND, 0.0, 1.0)
    gain, offset = ramp(d.number("enable_above"), GATE)
    if d.value("active_low"):
        gain, offset = -gain, 1 - offset
    return ("EN", "GND", gain, offset)


def enable_pull(d: Draft) -> None:
    """The pull inside EN: none, up (to IN) or down."""
    if not d.has("EN"):
        return
    pull = pick(("none", "up", "down"), str(d.value("enable_pull")), "enable_pull", d.part.name)
    siemens = 1 / d.positive("enable_pull_ohms")
    d.conductance("IN", "EN", siemens if pull == "up" else 0.0)
    d.conductance("EN", "GND", siemens if pull == "down" else 1 / d.positive("enable_leak_ohms"))


def alive(d: Draft) -> float:
    """0 for a dead part, else 1."""
    return 0.0 if d.value("dead") else 1.0


def quiescent(d: Draft, pin: str, gates: tuple[Affine, ...]) -> None:
    """The part's own supply current, through a first volt that rises like a resistor."""
    amps = d.number("quiescent")
    d.valve(pin, "GND", (pin, "GND", max(amps, 1e-15) / 0.5, 0.0), high=amps, gates=gates, scale=alive(d))


def always_on(d: Draft, pin: str) -> None:
    """The supply current of a part that nothing enables: it flows once there is voltage enough for a transistor."""
    quiescent(d, pin, ((pin, "GND", *ramp(d.positive("runs_from"), RUNNING)),))


def body_diode(d: Draft, anode: str, cathode: str) -> None:
    d.junction(anode, cathode, d.positive("body"), 1.0, BODY_OHMS)


def _lockout(d: Draft) -> Affine:
    return ("IN", "GND", *ramp(d.number("lockout"), GATE))


def _ldo(d: Draft) -> None:
    siemens = 1 / d.positive("load_ohms")
    rated = d.part.ratings.get("current") or d.positive("limit")
    through = rated / d.positive("dropout")
    gates = (enable_gate(d), _lockout(d))
    d.valve(
        "IN",
        "OUT",
        ("GND", "OUT", siemens, siemens * d.positive("volts")),
        ("IN", "OUT", through, 0.0),
        high=d.positive("limit"),
        gates=gates,
        scale=alive(d),
    )
    body_diode(d, "OUT", "IN")
    quiescent(d, "IN", gates)
    drain = d.value("drain_ohms")
    d.conductance("OUT", "GND", (1 / d.positive("drain_ohms") if drain else 1e-7) * 1.0)
    enable_pull(d)


def _switcher(d: Draft, duty: float, drop: float) -> None:
    enable, lockout = enable_gate(d), ramp(d.number("lockout"), GATE)
    d.converter(
        ("OUT", "GND"),
        ("IN", "GND"),
        enable,
        lockout,
        siemens=1 / d.positive("load_ohms"),
        volts=d.positive("volts"),
        duty=duty,
        drop=drop,
        limit=d.positive("limit"),
        efficiency=d.positive("efficiency"),
        least=max(d.number("lockout") * 0.5, 0.3),
        scale=alive(d),
    )
    quiescent(d, "IN", (enable, _lockout(d)))
    d.conductance("OUT", "GND", 1e-7)
    enable_pull(d)


def _buck(d: Draft) -> None:
    _switcher(d, 1.0, d.number("dropout"))
    body_diode(d, "OUT", "IN")


def _boost(d: Draft) -> None:
    _switcher(d, 100.0, 0.0)
    body_diode(d, "IN", "OUT")


RUNS = Quantity("V", RUNS_FROM, "supply voltage from which it draws its quiescent current")
PINS = ("IN", "OUT", "GND", "EN")
COMMON = {
    "volts": Quantity("V", None, "output voltage", required=True),
    "limit": Quantity("A", 0.5, "output current limit"),
    "lockout": Quantity("V", 2.0, "input voltage below which it stays off"),
    "quiescent": Quantity("A", 50e-6, "its own supply current while it runs"),
    "load_ohms": Quantity("Ω", 0.02, "output resistance while regulating"),
    "enable_above": Quantity("V", 1.0, "EN threshold"),
    "active_low": Quantity("", False, "EN enables when low"),
    "enable_pull": Quantity("", "none", "pull inside EN: none, up or down"),
    "enable_pull_ohms": Quantity("Ω", 500e3, "its resistance"),
    "enable_leak_ohms": Quantity("Ω", 20e6, "EN's leakage to ground without a pull-down"),
    "dead": Quantity("", False, "delivers nothing"),
    "body": Quantity("A", BODY_SATURATION, "saturation current of the body diode"),
}
_FAULTS = ("missing", "dead", "short")

KINDS = (
    Kind(
        "ldo",
        PINS,
        {
            **COMMON,
            "dropout": Quantity("V", 0.2, "least IN - OUT at the rated current (max.current, else limit)"),
            "drain_ohms": Quantity("Ω", None, "what holds OUT down, if anything does"),
        },
        _ldo,
        "a linear regulator",
        optional=("EN",),
        short=(("IN", "OUT"),),
        thermal_s=1.0,
        main="volts",
        faults=_FAULTS,
        pulls_to="IN",
    ),
    Kind(
        "buck",
        PINS,
        {
            **COMMON,
            "dropout": Quantity("V", 0.1, "least IN - OUT, at full duty"),
            "efficiency": Quantity("", 0.9, "output power over input power, without the quiescent current"),
        },
        _buck,
        "a step-down converter",
        optional=("EN",),
        short=(("IN", "OUT"),),
        main="volts",
        faults=_FAULTS,
        pulls_to="IN",
    ),
    Kind(
        "boost",
        PINS,
        {**COMMON, "efficiency": Quantity("", 0.85, "output power over input power, without the quiescent current")},
        _boost,
        "a step-up converter",
        optional=("EN",),
        short=(("IN", "OUT"),),
        main="volts",
        faults=_FAULTS,
        pulls_to="IN",
    ),
)
