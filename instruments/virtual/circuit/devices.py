"""Element equations: vectorised multiports, evaluated for all elements of a type and all members of a batch at once.

A device has P ports (pairs of terminals). From port voltages `u` (P, N, B) and parameters `p` (K, N, B) it yields the
currents `i` (O, N, B) through its output ports, plus -> minus through the element, and the partial derivatives
`d` (Q, N, B) listed in `partials` as (output, port). N elements of the type, B members of the batch. Volts, amperes,
siemens. The batch is the last axis, so that every numpy call runs over contiguous memory.

All curves are piecewise linear or smooth, and never fall with rising voltage at their own port, except where a
device must (constant power). Exponential junctions carry at least 1 µΩ in series, which gives their current in closed
form by Wright's omega function (the same closed form as Banwell & Jayakumar, Electronics Letters 36, 2000, by
Lambert's W), and no overflow.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import wrightomega

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BOLTZMANN: Final = 1.380649e-23  # J/K, exact (SI 2019)
CHARGE: Final = 1.602176634e-19  # C, exact (SI 2019)
KELVIN: Final = 300.15  # the temperature that SPICE takes when told nothing, 27 °C
THERMAL_VOLTS: Final = BOLTZMANN * KELVIN / CHARGE  # 25.865 mV
LEAST_OHMS: Final = 1e-6  # series resistance of a junction that declares none
ON_SLOPE: Final = 0.5  # remembered of a clipped line that was on its slope when a solution ended
NEVER: Final = 1e30  # a bound that never binds


@dataclass(frozen=True)
class Device:
    """An element type. evaluate(p, u, i, d, memory) fills i and d; `memory` (M, N, B) holds what it remembers of the
    iteration before (NaN at first), and it returns the members where it limited a step, or None.

    `scales` are the parameters that fade the element to nothing when multiplied by 0, `excitations`
    those that drive the circuit."""

    name: str
    ports: int
    parameters: tuple[str, ...]
    outputs: tuple[int, ...]
    partials: tuple[tuple[int, int], ...]
    evaluate: Callable[[Array, Array, Array, Array, Array | None], Mask | None]
    scales: tuple[str, ...] = ()
    excitations: tuple[str, ...] = ()
    memory: int = 0

    def row(self, parameter: str) -> int:
        return self.parameters.index(parameter)


def _linear(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """i = g·u - j: resistor, Norton source, companion of a capacitor or inductor."""
    np.multiply(p[0], u[0], out=i[0])
    i[0] -= p[1]
    d[0] = p[0]
    return None


def _limit(w: Array, old: Array, vt: Array, critical: Array) -> Mask | None:
    """Limit the step of a junction voltage in place (Nagel's rule as SPICE uses it); the mask of what was limited."""
    step = w - old
    mask: Mask = (w > critical) & (np.abs(step) > 2 * vt)
    if not mask.any():
        return None
    vt_b = np.broadcast_to(vt, w.shape)[mask]
    start, target = old[mask], w[mask]
    growth = 1 + (target - start) / vt_b
    from_on = np.where(growth > 0, start + vt_b * np.log(np.maximum(growth, 1e-12)), critical_of(critical, w, mask))
    from_off = vt_b * np.log(np.maximum(target / vt_b, 1e-12))
    w[mask] = np.where(start > 0, from_on, from_off)
    return mask


def critical_of(critical: Array, like: Array, mask: Mask) -> Array:
    """`critical` of the masked elements."""
    return np.broadcast_to(critical, like.shape)[mask]


def _omega(z: Array) -> Array:
    """Wright's omega function, ω + ln ω = z. Far down, where nearly every junction is, by its series in t = exp(z):
    ω = t - t² + 3/2·t³ (next term 8/3·t⁴, below 1e-12 of the whole for z < -10)."""
    if z.size < 64:
        return wrightomega(z)
    t = np.exp(np.minimum(z, -10.0))
    om: Array = t * (1 - t * (1 - 1.5 * t))
    high = z > -10.0
    om[high] = wrightomega(z[high])
    return om


def _junction(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """i = m·s·(f(s·u - off) - f(-off)), f the junction Is·(exp(v/nVt) - 1) with Rs in series, s = ±1 its direction.

    With Rs in series i solves i = Is·(exp((w - i·Rs)/nVt) - 1), w the voltage across both:
    i = (nVt/Rs)·ω(ln(Is·Rs/nVt) + (w + Is·Rs)/nVt) - Is.
    """
    sign, offset, inv_vt, log_c, vt_over_rs, inv_rs, rest, critical, m = p
    w = sign * u[0] - offset
    limited = None
    if memory is not None:
        true = w.copy()
        limited = _limit(w, memory[0], 1 / inv_vt, critical)
        memory[0] = w
    om = _omega(w * inv_vt + log_c)
    slope = inv_rs * om / (1 + om)
    current = vt_over_rs * om - rest
    if limited is not None:
        current += slope * (true - w)
    np.multiply(m * sign, current, out=i[0])
    np.multiply(m, slope, out=d[0])
    return _members(limited)


def _over_the_slope(memory: Array | None, above: Mask, below: Mask, by_first: Mask) -> tuple[Mask, Mask] | None:
    """Where a step went from one end of a clipped line to the other, past the slope between (`above`, `below` edited).

    Both ends are flat, and Newton would hop between them for ever: such an element is taken on its slope this once. Of
    the two lines it is the one that rules at the lower end; returns what jumped and where that line is the first.
    """
    if memory is None:
        return None
    region = above * 1.0 - below * 1.0
    jumped: Mask = (memory[0] * region < 0) | ((memory[0] == ON_SLOPE) & (region != 0))
    by_first_before = memory[1] > 0
    memory_before = memory[0].copy()
    memory[0] = region
    memory[1] = by_first
    if not jumped.any():
        return None
    line: Mask = np.where(below & (memory_before != ON_SLOPE), by_first, by_first_before)
    memory[0][jumped] = 0.0
    memory[1][jumped] = line[jumped]
    above &= ~jumped
    below &= ~jumped
    return jumped, line


def _gate(x: Array, memory: Array | None) -> tuple[Array, Array, Array, Mask | None]:
    """x clipped to 0..1: its value, its slope, the value that other slopes see, and where a step leapt over the ramp.

    There the ramp is continued as a straight line from its middle, this once.
    """
    value: Array = np.minimum(np.maximum(x, 0.0), 1.0)
    slope: Array = np.asarray((x > 0) & (x < 1), dtype=np.float64)
    if memory is None:
        return value, slope, value, None
    region = (x >= 1) * 1.0 - (x <= 0) * 1.0
    leapt: Mask = memory * region < 0
    memory[...] = region
    if not leapt.any():
        return value, slope, value, None
    memory[leapt] = 0.0
    return np.where(leapt, x, value), np.where(leapt, 1.0, slope), np.where(leapt, 0.5, value), leapt


def _members(*masks: Mask | None) -> Mask | None:
    """Members (B,) in which any element is masked."""
    found: Mask | None = None
    for mask in masks:
        if mask is not None:
            members: Mask = np.asarray(mask.any(axis=0))
            found = members if found is None else found | members
    return found


def _valve(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """i = m·s·clip(min(ga·ua + ea, gb·ub + eb), low, high), s = gate(min(k1·u1 + t1, k2·u2 + t2)).

    Ports: the path itself, a, b, gate 1, gate 2. The universal controlled path: a supply in constant voltage or
    current, a regulator's pass element (set point, dropout, limit; enable and lock-out), a load with a minimum
    voltage, an ideal diode, a load switch. gate(x) is x between 0 and 1.
    """
    ga, ea, gb, eb, low, high, k1, t1, k2, t2, m = p
    first = ga * u[1] + ea
    second = gb * u[2] + eb
    use_first = first <= second
    value = np.where(use_first, first, second)
    above, below = value >= high, value <= low
    over = _over_the_slope(memory, above, below, use_first)
    value = np.minimum(np.maximum(value, low), high)
    if over is not None:
        jumped, line = over
        use_first = np.where(jumped, line, use_first)
        value = np.where(jumped, np.where(line, first, second), value)
    inside = ~(above | below)
    x1 = k1 * u[3] + t1
    x2 = k2 * u[4] + t2
    gate_first = x1 <= x2
    gate, slope, seen, leapt = _gate(np.where(gate_first, x1, x2), None if memory is None else memory[2])
    np.multiply(gate * m, value, out=i[0])
    gate = seen * (m * inside)
    np.multiply(gate, ga * use_first, out=d[0])
    np.multiply(gate, gb * ~use_first, out=d[1])
    slope = slope * (value * m)
    np.multiply(slope, k1 * gate_first, out=d[2])
    np.multiply(slope, k2 * ~gate_first, out=d[3])
    return _members(None if over is None else jumped, leapt)


def _converter(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """A switching regulator by its power balance. Ports: output (OUT, GND), input (IN, GND), enable (EN, GND).

    i_out = gate·clip(min(g·(set - vo), g·(duty·vi - drop - vo)), 0, limit); i_in = i_out·vo/(eff·max(vi, least)).
    """
    g, volts, duty, drop, limit, efficiency, least, k1, t1, k2, t2, m = p
    vo, vi, en = u
    first, second = g * (volts - vo), g * (duty * vi - drop - vo)
    dropout = second < first
    value = np.where(dropout, second, first)
    above, below = value >= limit, value <= 0
    over = _over_the_slope(memory, above, below, ~dropout)
    value = np.minimum(np.maximum(value, 0.0), limit)
    if over is not None:
        jumped, line = over
        dropout = np.where(jumped, ~line, dropout)
        value = np.where(jumped, np.where(line, first, second), value)
    inside = ~(above | below)
    x1, x2 = k1 * en + t1, k2 * vi + t2
    by_enable = x1 <= x2
    gate, slope, seen, leapt = _gate(np.where(by_enable, x1, x2), None if memory is None else memory[2])
    slope = m * slope
    out = m * gate * value
    by_vo = -g * m * seen * inside
    by_vi = duty * g * m * seen * (inside & dropout) + slope * value * k2 * ~by_enable
    by_en = slope * value * k1 * by_enable
    low_input = vi < least
    base = 1 / (efficiency * np.where(low_input, least, np.maximum(vi, 1e-9)))
    # a shorted or reversed output takes no power from the input
    delivered = np.maximum(vo, 0.0)
    i[0], i[1] = -out, out * delivered * base
    d[0], d[1], d[2] = -by_vo, -by_vi, -by_en
    d[3] = by_vo * delivered * base + out * base * (vo > 0)
    d[4] = by_vi * delivered * base - np.where(low_input, 0.0, out * delivered * base / np.maximum(vi, 1e-9))
    d[5] = by_en * delivered * base
    return _members(None if over is None else jumped, leapt)


def _mosfet(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """Shichman-Hodges (SPICE level 1): ports gate-source, drain-source; bulk on the source, body diode apart.

    Drain and source change places when the channel is driven backwards.
    """
    sign, beta, threshold, lam, m = p
    vgs, vds = sign * u[0], sign * u[1]
    backwards = vds < 0
    drive = np.where(backwards, vgs - vds, vgs) - threshold
    span = np.abs(vds)
    on = drive > 0
    drive = np.where(on, drive, 0.0)
    linear = span < drive
    clm = 1 + lam * span
    half = 0.5 * beta * m
    quad = np.where(linear, span * (2 * drive - span), drive * drive)
    current = half * quad * clm
    gm = half * clm * np.where(linear, 2 * span, 2 * drive)
    gds = half * (clm * np.where(linear, 2 * (drive - span), 0.0) + quad * lam)
    i[0] = sign * np.where(backwards, -current, current)
    d[0] = np.where(backwards, -gm, gm)
    d[1] = np.where(backwards, gds + gm, gds)
    return None


def _bjt(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """Ebers-Moll, transport form. Ports: base-emitter, base-collector, collector-emitter (output only).

    i_c = Is·(e^be - e^bc)·(1 - v_bc/VA) - ir/βr;  i_b = if/βf + ir/βr.
    """
    sign, saturation, vt, inv_bf, inv_br, inv_va, critical, m = p
    be, bc = sign * u[0], sign * u[1]
    limited: Mask | None = None
    true_be, true_bc = be, bc
    if memory is not None:
        be, bc = be.copy(), bc.copy()
        for v, held in ((be, memory[0]), (bc, memory[1])):
            mask = _limit(v, held, vt, critical)
            limited = _members(limited[None] if limited is not None else None, mask)
            held[...] = v
    top = 80.0  # e^80 is past any current of interest; beyond it the curve goes on as a straight line
    xe, xc = np.minimum(be / vt, top), np.minimum(bc / vt, top)
    ee, ec = np.exp(xe), np.exp(xc)
    ge, gc = m * saturation * ee / vt, m * saturation * ec / vt
    forward = m * saturation * (ee * (1 + be / vt - xe) - 1)
    reverse = m * saturation * (ec * (1 + bc / vt - xc) - 1)
    early = 1 - bc * inv_va
    transport = forward - reverse
    i[0] = transport * early - reverse * inv_br
    i[1] = forward * inv_bf + reverse * inv_br
    d[0] = ge * early
    d[1] = -gc * early - transport * inv_va - gc * inv_br
    d[2] = ge * inv_bf
    d[3] = gc * inv_br
    if limited is not None:
        i[0] += d[0] * (true_be - be) + d[1] * (true_bc - bc)
        i[1] += d[2] * (true_be - be) + d[3] * (true_bc - bc)
    i[0] *= sign
    i[1] *= sign
    return limited


def _power(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """Constant power above `least` volts, a resistance below it, nothing in reverse: i = P/u, u·P/least²."""
    watts, least, m = p
    v = np.maximum(u[0], 0.0)
    low = v < least
    safe = np.maximum(v, least)
    i[0] = m * watts * np.where(low, v / (least * least), 1 / safe)
    d[0] = m * watts * np.where(low, (u[0] > 0) / (least * least), -1 / (safe * safe))
    return None


def _source(p: Array, u: Array, i: Array, d: Array, memory: Array | None) -> Mask | None:
    """Branch equation a·u - r·j = e, j the branch's own unknown; its current is added by the assembly."""
    d[0] = 1.0
    d[1] = p[0]
    d[2] = p[1]
    return None


LINEAR: Final = Device(
    "linear", 1, ("g", "j", "farads", "henries"), (0,), ((0, 0),), _linear, ("g", "j", "farads"), ("j",)
)
JUNCTION: Final = Device(
    "junction",
    1,
    ("sign", "offset", "inv_vt", "log_c", "vt_over_rs", "inv_rs", "rest", "critical", "m"),
    (0,),
    ((0, 0),),
    _junction,
    ("m",),
    (),
    1,
)
VALVE: Final = Device(
    "valve",
    5,
    ("ga", "ea", "gb", "eb", "low", "high", "k1", "t1", "k2", "t2", "m"),
    (0,),
    ((0, 1), (0, 2), (0, 3), (0, 4)),
    _valve,
    ("m",),
    ("m",),
    3,
)
CONVERTER: Final = Device(
    "converter",
    3,
    ("g", "volts", "duty", "drop", "limit", "efficiency", "least", "k1", "t1", "k2", "t2", "m"),
    (0, 1),
    ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2)),
    _converter,
    ("m",),
    ("m",),
    3,
)
MOSFET: Final = Device(
    "mosfet", 2, ("sign", "beta", "threshold", "lambda", "m"), (1,), ((0, 0), (0, 1)), _mosfet, ("m",)
)
BJT: Final = Device(
    "bjt",
    3,
    ("sign", "is", "vt", "inv_bf", "inv_br", "inv_va", "critical", "m"),
    (2, 0),
    ((0, 0), (0, 1), (1, 0), (1, 1)),
    _bjt,
    ("m",),
    (),
    2,
)
POWER: Final = Device("power", 1, ("watts", "least", "m"), (0,), ((0, 0),), _power, ("m",), ("m",))
SOURCE: Final = Device("source", 1, ("a", "r", "e"), (), (), _source, (), ("e",))

DEVICES: Final = (LINEAR, JUNCTION, VALVE, CONVERTER, MOSFET, BJT, POWER, SOURCE)
"""Every element type, in the order in which they are laid out in memory; SOURCE last, for its branch unknowns."""
