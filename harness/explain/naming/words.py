"""Faults in the words that a colleague would use: "inside U5 about 13 kΩ pulls RADIO_RST up to +3V3"."""

from __future__ import annotations

from collections.abc import Sequence

from wakeboard.instruments.quantity import QuantityError, parse, show
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Fault, parse_fault

NONE = "none"
OTHER = "not in this model"
AS_DRAWN = "no fault: the board is as drawn"
MOST_FORMS = 4
"""Clauses in which alternatives are told: more is not read (common practice, no source); the list below has all."""


def describe(circuit: Circuit, text: str) -> str:
    """One fault, given by its text, as a clause about this circuit."""
    try:
        fault = parse_fault(text)
        return _of_bridge(circuit, fault) if fault.kind == "bridge" else _of_part(circuit, fault)
    except CircuitError:
        return text


def describe_all(circuit: Circuit, texts: Sequence[str]) -> str:
    """Several faults at once."""
    return ", and ".join(describe(circuit, text) for text in texts) if texts else "the board as drawn"


def describe_any(circuit: Circuit, texts: Sequence[str]) -> str:
    """Faults of which one is there: those of a kind together, each part named."""
    if len(texts) == 1:
        return describe(circuit, texts[0])
    alike: dict[str, list[str]] = {}
    for text in texts:
        form, name = _form(circuit, text)
        alike.setdefault(form, []).append(name)
    told = [form.format(_any_of(names)) for form, names in alike.items()]
    left = len(told) - MOST_FORMS
    return ", or ".join(told if left < 2 else [*told[:MOST_FORMS], f"{left} things more"])


def _any_of(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}" if len(names) > 1 else names[0]


def _form(circuit: Circuit, text: str) -> tuple[str, str]:
    """A fault's clause with {} for what differs between faults of a kind, and that."""
    says = describe(circuit, text).replace("{", "{{").replace("}", "}}")
    try:
        fault = parse_fault(text)
    except CircuitError:
        return "{}", says
    if fault.kind == "bridge":
        return "{}", says
    if fault.kind == "short":
        return f"{{}} is shorted ({_joined(circuit, fault)})", fault.part
    name = fault.target if says.startswith(fault.target) else fault.part
    return (says.replace(name, "{}", 1), name) if name in says else ("{}", says)


def _joined(circuit: Circuit, fault: Fault) -> str:
    """What a short joins, as nets."""
    from wakeboard.instruments.virtual.circuit.faults.effects import effects

    first, second, _ = effects(circuit, fault).bridges[0]
    return " to ".join(end if isinstance(end, str) else circuit.part(end[0]).net(end[1]) for end in (first, second))


def _about(ohms: float) -> str:
    return f"about {show(ohms, 'Ω', 3 if ohms < 1e4 else 2)}"


def _of_bridge(circuit: Circuit, fault: Fault) -> str:
    from wakeboard.instruments.virtual.circuit.faults.effects import bridged

    a, b = bridged(circuit, fault)
    how = "a solder bridge" if fault.ohms < 100 else "a path"
    return f"{how} of {_about(fault.ohms)} joins {a} and {b}"


def _of_part(circuit: Circuit, fault: Fault) -> str:
    part = circuit.part(fault.part)
    if fault.on_pin:
        return _of_pin(circuit, fault, part.net(fault.pin))
    nets = list(dict.fromkeys(part.pins.values()))
    where = f" ({part.kind}, {' to '.join(nets)})" if len(nets) == 2 else f" ({part.kind.replace('_', ' ')})"
    plain = {
        "missing": f"{part.name}{where} is missing or not connected",
        "open": f"{part.name}{where} is open",
        "short": f"{part.name}{where} is shorted",
        "reversed": f"{part.name}{where} is fitted the wrong way round",
        "dead": f"{part.name}{where} is dead",
    }
    if fault.kind in plain:
        return plain[fault.kind]
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    kind = kind_of(part)
    unit = kind.values[kind.main].unit if kind.main else ""
    drawn = show(float(part.values[kind.main]), unit) if kind.main and unit else "the drawn one"
    found = _tidy(fault.argument, unit)
    if fault.kind == "variant":
        return f"{part.name} is the {found} part, not the {drawn} one"
    return f"{part.name}{where} is {found} instead of {drawn}"


def _tidy(argument: str, unit: str) -> str:
    """A value as it is written everywhere else: 1Ω is 1 Ω."""
    try:
        return show(parse(argument, unit), unit) if unit else argument
    except QuantityError:
        return argument


def _of_pin(circuit: Circuit, fault: Fault, net: str) -> str:
    from wakeboard.instruments.virtual.circuit.faults.effects import rail_pin

    part = circuit.part(fault.part)
    match fault.kind:
        case "pull_up":
            return f"inside {part.name} {_about(fault.ohms)} pulls {net} up to {part.net(rail_pin(part, fault.pin))}"
        case "pull_down":
            return f"inside {part.name} {_about(fault.ohms)} pulls {net} down to {circuit.ground}"
        case "stuck":
            return f"{fault.target} holds {net} {fault.argument}, whatever it is told"
        case "net":
            return (
                f"pin {fault.pin} of {part.name} is joined to {fault.argument}, not to {net} (bridged, or laid out so)"
            )
        case _:
            return f"{fault.target} does not reach {net}: an open joint"


def ends(faults: Sequence[str], units: Sequence[str], between: Sequence[tuple[float, float]], of: int) -> str:
    """Between which ends the fitted values of some faults lie, each in its own unit; of: how many faults there are."""
    each = [f"{show(low, unit, 3)} to {show(high, unit, 3)}" for unit, (low, high) in zip(units, between, strict=True)]
    if of == 1:
        return f"its value: {each[0]} (95 %)"
    named = (f"{fault.partition('=')[0]}: {value}" for fault, value in zip(faults, each, strict=True))
    return f"{'; '.join(named)} (95 %)"
