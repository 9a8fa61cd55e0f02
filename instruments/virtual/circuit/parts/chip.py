"""An integrated circuit as the board sees it: pins that drive, pull and clamp, and supply currents.

values: `io` = {PIN: {rail, type, drive, ohms, pull_up, pull_down, pull_ohms, leak, park, clamp, max}}
        `supply` = {PIN: {draws (or amps), above, standby}}
- rail: the supply pin whose net the pin drives up to, pulls up to and clamps to (default: VDD, or the first supply).
- type: io, input, output, open_drain (drives low only), analog. It says what `drive` may be; an input never drives.
- drive: off | high | low, or up | down: the pin's own selectable pull of `pull_ohms`. A pin drives, and switches its
  own pull in, from where its rail wakes the part up (`wakes` volts): without power its transistors have no gate
  voltage, and only its diodes and its fixed pulls are left.
- ohms: output resistance. pull_up, pull_down: pulls that are always there; none when absent.
- leak: amperes from the rail into the net (negative: out of it, to ground), down to within 0.2 V of where it parks
  (`park` volts; default the rail, or ground).
- clamp: diodes to the rail and from ground (true unless told otherwise). The value "PART.PIN.to_rail" is 0 where a
  specimen turns out to have none to its rail.
- max: amperes that the pin stands (a rating). pulls = "none" is a statement for reviews, not a value of the circuit;
  so are reads_low and reads_high: the most that the input takes as low, the least that it takes as high (V).
- every supply pin has the diode from ground that every integrated circuit has: it conducts when the pin is below it.
- draws flows from `above` volts on, `standby` instead when the value "PART.asleep" is set; below, it fades to nothing.
Ground is the pin named GND, VSS or another usual name of it (see `Part.ground_pin`).
"""

from __future__ import annotations

from wakeboard.instruments.virtual.circuit.solver.devices import NEVER

from ..draft import Draft, ramp
from ..errors import CircuitError
from ..kind import Kind, Quantity, pick

TYPES = ("io", "input", "output", "open_drain", "analog")
DRIVES = ("off", "high", "low", "up", "down")
CLAMP_SATURATION = 1e-14  # A: 0.66 V at 1 mA
CLAMP = (1.0, 8.0)  # emission, series Ω
WAKES = 1.2  # V of a pin's rail at which its transistors conduct by half (common practice, no source)
WAKING = 0.4  # V over which they do
IDLE_SIEMENS = 1e-12  # what a supply pin conducts beside its current: as good as nothing, where nobody says
INPUT_SIEMENS = 1e-9  # an input's own leakage, to ground
DEFAULT_OHMS = 40.0  # of a driver that nobody describes: some 8 mA at 0.3 V (common practice, no source)
DEFAULT_PULL = 40e3  # Ω, of a pull that a processor switches on (common practice, no source)


def rail_of(d: Draft, pin: str) -> str:
    """The supply pin that a pin refers to."""
    supply = d.part.values.get("supply", {})
    default = "VDD" if "VDD" in d.part.pins else next(iter(supply), None)
    rail = d.value(f"{pin}.rail", default)
    if rail is None or rail not in d.part.pins:
        raise CircuitError(f"{d.part.name}.{pin}: no supply pin {rail!r} for its rail", [d.part.name])
    return str(rail)


def _pull(d: Draft, path: str) -> float:
    """Siemens of an optional pull."""
    found = d.value(path)
    return 1 / d.positive(path) if found not in (None, "none") else 0.0


def _pin(d: Draft, pin: str) -> None:
    ground = d.ground_pin
    kind = pick(TYPES, str(d.value(f"{pin}.type", "io")), f"{pin}.type", d.part.name)
    drive = pick(DRIVES, str(d.value(f"{pin}.drive", "off")), f"{pin}.drive", d.part.name)
    if drive in ("high", "low") and kind in ("input", "analog"):
        raise CircuitError(f"{d.part.name}.{pin} is an {kind} pin: it cannot drive {drive}", [d.part.name])
    rail = rail_of(d, pin)
    d.conductance(rail, pin, _pull(d, f"{pin}.pull_up"))
    d.conductance(pin, ground, _pull(d, f"{pin}.pull_down") + INPUT_SIEMENS)
    _switched(d, pin, rail, drive, kind)
    if d.value(f"{pin}.clamp", True):
        if d.part.net(pin) != d.part.net(rail):
            _clamp(d, pin, rail, float(d.value(f"{pin}.to_rail", 1.0)))
        _clamp(d, ground, pin)
    if d.value(f"{pin}.leak") is not None:
        _leak(d, pin, rail)


def _switched(d: Draft, pin: str, rail: str, drive: str, kind: str) -> None:
    """What the pin's transistors conduct, once its rail has woken them."""
    ground = d.ground_pin
    strength = 1 / d.positive(f"{pin}.ohms", DEFAULT_OHMS)
    own_pull = 1 / d.positive(f"{pin}.pull_ohms", DEFAULT_PULL)
    up = {"up": own_pull, "high": 0.0 if kind == "open_drain" else strength}.get(drive, 0.0)
    down = {"down": own_pull, "low": strength}.get(drive, 0.0)
    awake = (rail, ground, *ramp(d.positive("wakes"), WAKING))
    able = 0.0 if d.value("dead") else 1.0
    for plus, minus, siemens in ((rail, pin, up), (pin, ground, down)):
        path = (plus, minus, siemens or strength, 0.0)
        d.valve(plus, minus, path, low=-NEVER, gates=(awake,), scale=able if siemens else 0.0)


def _clamp(d: Draft, anode: str, cathode: str, share: float = 1.0) -> None:
    d.junction(anode, cathode, d.positive("clamp_saturation"), *CLAMP, share=share)


def _leak(d: Draft, pin: str, rail: str) -> None:
    """Both ways are laid out, since the sign may differ from one specimen to the next."""
    ground = d.ground_pin
    amps = d.number(f"{pin}.leak")
    size = max(abs(amps), 1e-15)
    park = d.value(f"{pin}.park")
    out, into = (1.0, 0.0) if amps < 0 else (0.0, 1.0)
    d.valve(pin, ground, (pin, ground, size / 0.2, -size * float(park or 0.0) / 0.2), high=size, scale=out)
    if park is None:
        d.valve(rail, pin, (rail, pin, size / 0.2, 0.0), high=size, scale=into)
    else:
        lit = (rail, ground, *ramp(1.0, 0.5))
        d.valve(rail, pin, (ground, pin, size / 0.2, size * float(park) / 0.2), high=size, gates=(lit,), scale=into)


def _draw(d: Draft, pin: str) -> None:
    ground = d.ground_pin
    asleep = bool(d.value("asleep"))
    awake = d.number(f"{pin}.draws", d.value(f"{pin}.amps", 0.0))
    amps = d.number(f"{pin}.standby", 0.0) if asleep else awake
    above = d.number(f"{pin}.above", 1.0)
    idle = d.positive(f"{pin}.idle", IDLE_SIEMENS)
    d.conductance(pin, ground, idle)
    slope = max(amps, 1e-15) / max(above / 2, 0.1)
    gate = (pin, ground, *ramp(above * 0.9, max(above * 0.2, 0.1)))
    _clamp(d, ground, pin)
    d.valve(pin, ground, (pin, ground, slope, 0.0), high=amps, gates=(gate,), scale=0.0 if d.value("dead") else 1.0)


def _chip(d: Draft) -> None:
    for table in ("io", "supply"):
        for pin in d.part.values.get(table, {}):
            if pin not in d.part.pins:
                raise CircuitError(f"{d.part.name}: {table} names a pin {pin!r} that it does not have", [d.part.name])
    for pin in d.part.values.get("supply", {}):
        d.kept(_draw, pin)
    for pin in d.part.values.get("io", {}):
        d.kept(_pin, pin)


KINDS = (
    Kind(
        "chip",
        ("GND",),
        {
            "dead": Quantity("", False, "drives nothing and draws nothing; clamps and fixed pulls stay"),
            "asleep": Quantity("", False, "draws its standby currents"),
            "wakes": Quantity("V", WAKES, "voltage of its rail from which a pin drives"),
            "clamp_saturation": Quantity("A", CLAMP_SATURATION, "saturation current of its clamp diodes"),
        },
        _chip,
        "an integrated circuit: pins that drive, pull and clamp, and supply currents",
        any_pins=True,
        thermal_s=1.0,
        nested=("io", "supply"),
        faults=("missing", "dead"),
    ),
)
