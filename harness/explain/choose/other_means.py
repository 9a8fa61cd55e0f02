"""What would tell faults apart that no reading at a point can: eyes, heat, the way of a current, a plug, a lifted pin.

    ways_to_part(circuit, [("C4:short", 0.4), ("C5:short", 0.4), ("U1:short", 0.2)])[0].does

Two capacitors across one rail are one and the same to every meter at every point. What tells them apart is on the
board, between the points, and a person's to do; cheapest first. The practice is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from wakeboard.harness.explain.naming.repair import CLEARLY, LIKELY
from wakeboard.harness.explain.rank.suspects import priors
from wakeboard.instruments.virtual.circuit import Circuit, CircuitError, Fault, parse_fault
from wakeboard.results.explanation import Way

ABSENT: Final = ("missing", "open")


def ways_to_part(circuit: Circuit, faults: Sequence[tuple[str, float]]) -> list[Way]:
    """For faults of which one is there, with their shares: ways to find which, the least effort first. None where one
    of them stands clear of the others."""
    if len(faults) < 2 or faults[0][1] >= CLEARLY:
        return []
    likely = [_fault(text) for text, share in faults if share >= LIKELY]
    known = [f for f in likely if f is not None]
    found = [*_of_current(circuit, known), *_of_joints(known), *_of_pins(circuit, known)]
    return sorted(found, key=lambda way: way.effort) if len(known) > 1 else []


def _fault(text: str) -> Fault | None:
    try:
        return parse_fault(text)
    except CircuitError:
        return None


def _texts(faults: Sequence[Fault]) -> tuple[str, ...]:
    return tuple(str(f) for f in faults)


def _listed(names: Sequence[str]) -> str:
    names = list(dict.fromkeys(names))
    return f"{', '.join(names[:-1])} or {names[-1]}" if len(names) > 1 else names[0]


def _of_current(circuit: Circuit, faults: Sequence[Fault]) -> Iterator[Way]:
    """Of shorts and bridges: a current goes one way only, and warms what it goes through."""
    across = [f for f in faults if f.kind in ("short", "bridge")]
    shorted = [f for f in across if f.kind == "short"]
    if len(across) < 2 or not shorted:
        return
    effort, texts = priors()["effort"], _texts(across)
    parts = [f.part for f in shorted]
    net = _live_net(circuit, shorted[0])
    more = ", and between the joined nets" if len(shorted) < len(across) else ""
    yield Way(f"look at {_listed(parts)}{more}, magnified: cracks, solder between pads", effort["look"], texts)
    for plug in _plugs(circuit, shorted[0]):
        yield Way(f"unplug what is in {plug}, and measure {net} again", effort["unplug"], (f"{plug}:short",))
    yield Way(
        f"feed {net} under a low current limit and see what warms: {_listed(parts)} (thermal camera, or alcohol that "
        "dries there first; no fingers)",
        effort["warm"], texts,
    )  # fmt: skip
    yield Way(
        f"while that current flows, follow the millivolts along {net} from where it is fed: they fall up to the part "
        "that takes the current, and are level beyond it",
        effort["branch"], texts,
    )  # fmt: skip
    yield Way(f"lift one at a time, and measure {net} again: {_listed(parts)}", effort["lift_part"], _texts(shorted))


def _live_net(circuit: Circuit, fault: Fault) -> str:
    """The net of a short that is not ground."""
    nets = [net for net in _nets(circuit, fault) if net != circuit.ground]
    return nets[0] if nets else circuit.ground


def _nets(circuit: Circuit, fault: Fault) -> list[str]:
    from wakeboard.instruments.virtual.circuit.faults.effects import effects

    first, second, _ = effects(circuit, fault).bridges[0]
    return [end if isinstance(end, str) else circuit.part(end[0]).net(end[1]) for end in (first, second)]


def _plugs(circuit: Circuit, fault: Fault) -> list[str]:
    net = _live_net(circuit, fault)
    return [p.name for p in circuit.parts if p.kind == "connector" and net in p.pins.values()]


def _of_joints(faults: Sequence[Fault]) -> Iterator[Way]:
    """Of what is missing or open: it can be seen, and pressed on."""
    absent = [f for f in faults if f.kind in ABSENT]
    if len(absent) > 1:
        effort, places = priors()["effort"], _listed([f.target for f in absent])
        yield Way(f"look at {places}, magnified: fitted, and its joints whole", effort["look"], _texts(absent))
        yield Way(f"solder again, one at a time, and measure again: {places}", effort["solder"], _texts(absent))


def _of_pins(circuit: Circuit, faults: Sequence[Fault]) -> Iterator[Way]:
    """Of what is inside chips: a pin off its pad takes along what is inside."""
    inside = [f for f in faults if f.on_pin and f.kind in ("stuck", "pull_up", "pull_down")]
    effort = priors()["effort"]
    for f in inside[:-1] if len(inside) == len(faults) else inside:  # the last is told by the others
        net = circuit.part(f.part).net(f.pin)
        yield Way(f"lift {f.target} off its pad, and measure {net} again", effort["lift_pin"], (str(f),))
