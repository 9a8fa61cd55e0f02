"""The equations of all elements of one member at one point.

Codes and rows follow devices.DEVICES: parameter r of element j of a device stands at first_parameter + r·count + j, and
ports, currents, partials and memory likewise. What the limiters do is told where it is done; NaN in memory: nothing is
remembered.
"""

from __future__ import annotations

from math import exp, inf, log
from typing import Final, NamedTuple

from . import Array, Places, inner, shared

# codes of the devices, the order of devices.DEVICES
LINEAR: Final = 0
JUNCTION: Final = 1
VALVE: Final = 2
CONVERTER: Final = 3
MOSFET: Final = 4
BJT: Final = 5
POWER: Final = 6
SOURCE: Final = 7
GMIN: Final = 1e-12  # S across every junction, as in SPICE: what it leaks anyway
ON_SLOPE: Final = 0.5  # remembered of a clipped line that was on its slope when a solution ended
OFF: Final = -40.0  # times nVt: a junction reversed by more passes -Is to the last digit (e^-40 is 4e-18)
HELD: Final = 3.0  # times that a gate is held on its ramp
TOP: Final = 80.0  # e^80 is past any current of interest; beyond it the curve goes on as a straight line


class Blocks(NamedTuple):
    """Where the elements of each device lie: arrays by code; and what each partial is the slope of (port numbers)."""

    counts: Places
    parameter: Places
    port: Places
    current: Places
    partial: Places
    memory: Places
    slope_of: Places  # (Q,) port whose current a partial belongs to
    slope_by: Places  # (Q,) port whose volts it is taken by
    current_port: Places  # (C,) port that each current flows through
    nodes: int
    branches: int


class Extras(NamedTuple):
    """One member's extra conductances: nodes, and siemens (there may be more of these than pairs of nodes)."""

    first: Places
    second: Places
    siemens: Array


@inner
def omega(z: float) -> float:
    """Wright's omega function of a real z: ω + ln ω = z.

    Far down by its series in t = exp(z): ω = t - t² + 3/2·t³ (the next term is below 1e-12 of the whole for z < -10);
    else two steps of the iteration of Fritsch, Shafer and Crowley (Communications of the ACM 16, 1973; from memory),
    each of fourth order.
    """
    if z < -10.0:
        t = exp(z)
        return t * (1.0 - t * (1.0 - 1.5 * t))
    if z < -1.0:
        t = exp(z)
        w = t * (1.0 - t * (1.0 - 1.5 * t)) if z < -2.0 else t / (1.0 + t)
    elif z < 3.0:
        w = 0.5671432904 + 0.3618962566 * z + 0.0737 * z * z if z < 1.0 else 0.62 * z + 0.38
    else:
        w = z - log(z)
    for _ in range(3):
        if w <= 0.0:
            w = exp(z)
        r = z - w - log(w)
        if abs(r) < 1e-16 * (1.0 + abs(z)):
            break
        one = 1.0 + w
        a = 2.0 * one * (one + 2.0 / 3.0 * r)
        w = w * (1.0 + r / one * (a - r) / (a - 2.0 * r))
    return w


@inner
def _held_back(w: float, old: float, inv_vt: float, critical: float) -> float:
    """A junction's volts after a step from `old`, kept from leaping over the knee (Nagel's rule as SPICE uses it)."""
    if w > critical and abs(w - old) * inv_vt > 2.0:
        vt = 1.0 / inv_vt
        if old > 0.0:
            growth = 1.0 + (w - old) / vt
            return old + vt * log(growth) if growth > 0.0 else critical
        return vt * log(max(w / vt, 1e-12))
    return w


@inner
def _linear(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array) -> None:
    """i = g·u - j: resistor, Norton source, companion of a capacitor or inductor."""
    n, p = blocks.counts[LINEAR], blocks.parameter[LINEAR]
    at, i, d = blocks.port[LINEAR], blocks.current[LINEAR], blocks.partial[LINEAR]
    for j in range(n):
        g = theta[p + j]
        current[i + j] = g * u[at + j] - theta[p + n + j]
        partial[d + j] = g


@inner
def _junction(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array, memory: Array) -> bool:
    """i = m·s·(f(s·u - off) - f(-off)) + m·GMIN·u, f the junction Is·(exp(v/nVt) - 1) with Rs in series, s = ±1 its
    direction.

    With Rs in series i solves i = Is·(exp((w - i·Rs)/nVt) - 1), w the voltage across both:
    i = (nVt/Rs)·ω(ln(Is·Rs/nVt) + (w + Is·Rs)/nVt) - Is.
    """
    n, p, h = blocks.counts[JUNCTION], blocks.parameter[JUNCTION], blocks.memory[JUNCTION]
    at, i, d = blocks.port[JUNCTION], blocks.current[JUNCTION], blocks.partial[JUNCTION]
    limited = False
    for j in range(n):
        sign, offset, inv_vt = theta[p + j], theta[p + n + j], theta[p + 2 * n + j]
        m = theta[p + 8 * n + j]
        true = sign * u[at + j] - offset
        w = true
        if len(memory) > 0:
            w = _held_back(true, memory[h + j], inv_vt, theta[p + 7 * n + j])
            memory[h + j] = w
        amps, slope = -theta[p + 6 * n + j], 0.0
        if w * inv_vt > OFF:
            om = omega(w * inv_vt + theta[p + 3 * n + j])
            slope = theta[p + 5 * n + j] * om
            if om > 1e-17:
                slope /= 1.0 + om
            amps += theta[p + 4 * n + j] * om
        if w != true:
            limited = True
            amps += slope * (true - w)
        current[i + j] = m * (sign * amps + GMIN * u[at + j])
        partial[d + j] = m * (slope + GMIN)
    return limited


@inner
def _clipped(
    value: float,
    low: float,
    high: float,
    first: float,
    second: float,
    by_first: bool,
    memory: Array,
    at_region: int,
    at_line: int,
) -> tuple[float, bool, bool, bool]:
    """A line clipped to low .. high: (value, whether it is on its slope, whether the first line rules, a jump).

    Where a step went from one end to the other, past the slope between: both ends are flat, and Newton would hop
    between them for ever. Such an element is taken on its slope this once; of the two lines it is the one that rules
    at the lower end.
    """
    above, below = value >= high, value <= low
    jumped = False
    if len(memory) > 0:
        region = 1.0 if above else 0.0
        if below:
            region -= 1.0
        before, first_before = memory[at_region], memory[at_line] > 0.0
        jumped = before * region < 0.0 or (before == ON_SLOPE and region != 0.0)
        if jumped:
            by_first = by_first if below and before != ON_SLOPE else first_before
            region = 0.0
        memory[at_region] = region
        memory[at_line] = 1.0 if by_first else 0.0
    if jumped:
        return first if by_first else second, True, by_first, True
    return min(max(value, low), high), not (above or below), by_first, False


@inner
def _gate(x: float, memory: Array, at: int, at_count: int) -> tuple[float, float, float, bool]:
    """x clipped to 0..1: its value, its slope, the value that other slopes see, and whether a step leapt over the ramp.

    There the ramp is continued as a straight line from its middle, this once; but no more than HELD times: where a loop
    holds itself up or down, its middle is a point that it would come back to for ever. at, at_count: in memory, the
    side it was on and how often it was held.
    """
    value = min(max(x, 0.0), 1.0)
    slope = 1.0 if 0.0 < x < 1.0 else 0.0
    if len(memory) == 0:
        return value, slope, value, False
    region = 1.0 if x >= 1.0 else -1.0 if x <= 0.0 else 0.0
    if memory[at] * region < 0.0 and not memory[at_count] >= HELD:
        memory[at] = 0.0
        memory[at_count] = memory[at_count] + 1.0 if memory[at_count] > 0.0 else 1.0
        return x, 1.0, 0.5, True
    memory[at] = region
    return value, slope, value, False


@inner
def _valve(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array, memory: Array) -> bool:
    """i = m·s·clip(min(ga·ua + ea, gb·ub + eb), low, high), s = gate(min(k1·u1 + t1, k2·u2 + t2)).

    Ports: the path itself, a, b, gate 1, gate 2. The universal controlled path: a supply in constant voltage or
    current, a regulator's pass element (set point, dropout, limit; enable and lock-out), a load with a minimum
    voltage, an ideal diode, a load switch. gate(x) is x between 0 and 1.
    """
    n, p, h = blocks.counts[VALVE], blocks.parameter[VALVE], blocks.memory[VALVE]
    at, i, d = blocks.port[VALVE], blocks.current[VALVE], blocks.partial[VALVE]
    limited = False
    for j in range(n):
        ga, gb = theta[p + j], theta[p + 2 * n + j]
        first = ga * u[at + n + j] + theta[p + n + j]
        second = gb * u[at + 2 * n + j] + theta[p + 3 * n + j]
        low, high = theta[p + 4 * n + j], theta[p + 5 * n + j]
        value, inside, use_first, jumped = _clipped(
            min(first, second), low, high, first, second, first <= second, memory, h + j, h + n + j
        )
        k1, k2, m = theta[p + 6 * n + j], theta[p + 8 * n + j], theta[p + 10 * n + j]
        x1 = k1 * u[at + 3 * n + j] + theta[p + 7 * n + j]
        x2 = k2 * u[at + 4 * n + j] + theta[p + 9 * n + j]
        gate, slope, seen, leapt = _gate(min(x1, x2), memory, h + 2 * n + j, h + 3 * n + j)
        limited = limited or jumped or leapt
        current[i + j] = gate * m * value
        through = seen * m if inside else 0.0
        by_gate = slope * value * m
        partial[d + j] = through * ga if use_first else 0.0
        partial[d + n + j] = 0.0 if use_first else through * gb
        partial[d + 2 * n + j] = by_gate * k1 if x1 <= x2 else 0.0
        partial[d + 3 * n + j] = 0.0 if x1 <= x2 else by_gate * k2
    return limited


@inner
def _converter(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array, memory: Array) -> bool:
    """A switching regulator by its power balance. Ports: output (OUT, GND), input (IN, GND), enable (EN, GND), and
    what it regulates.

    i_out = gate·clip(min(g·(set - sense·vs), g·(duty·vi - drop - vo)), 0, limit);
    i_in = i_out·vo/(eff·max(vi, least)). A fixed one regulates its output (vs = vo, sense 1).
    A shorted or reversed output takes no power from the input.
    """
    n, p, h = blocks.counts[CONVERTER], blocks.parameter[CONVERTER], blocks.memory[CONVERTER]
    at, i, d = blocks.port[CONVERTER], blocks.current[CONVERTER], blocks.partial[CONVERTER]
    limited = False
    for j in range(n):
        g, duty, least = theta[p + j], theta[p + 2 * n + j], theta[p + 6 * n + j]
        vo, vi, en, vs = u[at + j], u[at + n + j], u[at + 2 * n + j], u[at + 3 * n + j]
        sense = theta[p + 12 * n + j]
        first = g * (theta[p + n + j] - sense * vs)
        second = g * (duty * vi - theta[p + 3 * n + j] - vo)
        value, inside, by_set, jumped = _clipped(
            min(first, second), 0.0, theta[p + 4 * n + j], first, second, first <= second, memory, h + j, h + n + j
        )
        k1, k2, m = theta[p + 7 * n + j], theta[p + 9 * n + j], theta[p + 11 * n + j]
        x1, x2 = k1 * en + theta[p + 8 * n + j], k2 * vi + theta[p + 10 * n + j]
        gate, slope, seen, leapt = _gate(min(x1, x2), memory, h + 2 * n + j, h + 3 * n + j)
        limited = limited or jumped or leapt
        out = m * gate * value
        pass_through = g * m * seen if inside else 0.0
        by_gate = m * slope * value
        by_vo = 0.0 if by_set else -pass_through
        by_vs = -sense * pass_through if by_set else 0.0
        by_vi = 0.0 if by_set else duty * pass_through
        by_en = 0.0
        if x1 <= x2:
            by_en = by_gate * k1
        else:
            by_vi += by_gate * k2
        low_input = vi < least
        base = 1.0 / (theta[p + 5 * n + j] * (least if low_input else max(vi, 1e-9)))
        delivered = max(vo, 0.0)
        current[i + j] = -out
        current[i + n + j] = out * delivered * base
        partial[d + j] = -by_vo
        partial[d + n + j] = -by_vi
        partial[d + 2 * n + j] = -by_en
        partial[d + 3 * n + j] = by_vo * delivered * base + (out * base if vo > 0.0 else 0.0)
        falling = 0.0 if low_input else out * delivered * base / max(vi, 1e-9)
        partial[d + 4 * n + j] = by_vi * delivered * base - falling
        partial[d + 5 * n + j] = by_en * delivered * base
        partial[d + 6 * n + j] = -by_vs
        partial[d + 7 * n + j] = by_vs * delivered * base
    return limited


@inner
def _mosfet(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array) -> None:
    """Shichman-Hodges (SPICE level 1): ports gate-source, drain-source; bulk on the source, body diode apart.

    Drain and source change places when the channel is driven backwards. GMIN lies across them, as across SPICE's bulk
    junction.
    """
    n, p = blocks.counts[MOSFET], blocks.parameter[MOSFET]
    at, i, d = blocks.port[MOSFET], blocks.current[MOSFET], blocks.partial[MOSFET]
    for j in range(n):
        sign, lam = theta[p + j], theta[p + 3 * n + j]
        vgs, vds = sign * u[at + j], sign * u[at + n + j]
        backwards = vds < 0.0
        drive = max((vgs - vds if backwards else vgs) - theta[p + 2 * n + j], 0.0)
        span = abs(vds)
        clm = 1.0 + lam * span
        half = 0.5 * theta[p + n + j] * theta[p + 4 * n + j]
        if span < drive:
            quad = span * (2.0 * drive - span)
            gm = half * clm * 2.0 * span
            gds = half * (clm * 2.0 * (drive - span) + quad * lam)
        else:
            quad = drive * drive
            gm = half * clm * 2.0 * drive
            gds = half * quad * lam
        leak = GMIN * theta[p + 4 * n + j]
        gds += leak
        amps = half * quad * clm + leak * span
        current[i + j] = sign * (-amps if backwards else amps)
        partial[d + j] = -gm if backwards else gm
        partial[d + n + j] = gds + gm if backwards else gds


@inner
def _bjt(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array, memory: Array) -> bool:
    """Ebers-Moll, transport form. Ports: base-emitter, base-collector, collector-emitter (output only).

    i_c = Is·(e^be - e^bc)·(1 - v_bc/VA) - ir/βr;  i_b = if/βf + ir/βr; GMIN in if and ir, as in SPICE.
    """
    n, p, h = blocks.counts[BJT], blocks.parameter[BJT], blocks.memory[BJT]
    at, i, d = blocks.port[BJT], blocks.current[BJT], blocks.partial[BJT]
    limited = False
    for j in range(n):
        sign, vt, critical = theta[p + j], theta[p + 2 * n + j], theta[p + 6 * n + j]
        true_be, true_bc = sign * u[at + j], sign * u[at + n + j]
        be, bc = true_be, true_bc
        if len(memory) > 0:
            be = _held_back(true_be, memory[h + j], 1.0 / vt, critical)
            bc = _held_back(true_bc, memory[h + n + j], 1.0 / vt, critical)
            memory[h + j] = be
            memory[h + n + j] = bc
        scale = theta[p + 7 * n + j] * theta[p + n + j]
        xe, xc = min(be / vt, TOP), min(bc / vt, TOP)
        ee, ec = exp(xe), exp(xc)
        leak = GMIN * theta[p + 7 * n + j]
        ge, gc = scale * ee / vt + leak, scale * ec / vt + leak
        forward = scale * (ee * (1.0 + be / vt - xe) - 1.0) + leak * be
        reverse = scale * (ec * (1.0 + bc / vt - xc) - 1.0) + leak * bc
        inv_bf, inv_br, inv_va = theta[p + 3 * n + j], theta[p + 4 * n + j], theta[p + 5 * n + j]
        early = 1.0 - bc * inv_va
        transport = forward - reverse
        collector = transport * early - reverse * inv_br
        base = forward * inv_bf + reverse * inv_br
        c_be, c_bc = ge * early, -gc * early - transport * inv_va - gc * inv_br
        b_be, b_bc = ge * inv_bf, gc * inv_br
        if be != true_be or bc != true_bc:
            limited = True
            collector += c_be * (true_be - be) + c_bc * (true_bc - bc)
            base += b_be * (true_be - be) + b_bc * (true_bc - bc)
        current[i + j] = sign * collector
        current[i + n + j] = sign * base
        partial[d + j] = c_be
        partial[d + n + j] = c_bc
        partial[d + 2 * n + j] = b_be
        partial[d + 3 * n + j] = b_bc
    return limited


@inner
def _power(blocks: Blocks, theta: Array, u: Array, current: Array, partial: Array) -> None:
    """Constant power above `least` volts, a resistance below it, nothing in reverse: i = P/u, u·P/least²."""
    n, p = blocks.counts[POWER], blocks.parameter[POWER]
    at, i, d = blocks.port[POWER], blocks.current[POWER], blocks.partial[POWER]
    for j in range(n):
        least, watts = theta[p + n + j], theta[p + 2 * n + j] * theta[p + j]
        volts = u[at + j]
        if volts >= least:
            current[i + j] = watts / volts
            partial[d + j] = -watts / (volts * volts)
        elif volts > 0.0:
            current[i + j] = watts * volts / (least * least)
            partial[d + j] = watts / (least * least)
        else:
            current[i + j] = 0.0
            partial[d + j] = 0.0


@inner
def _source(blocks: Blocks, theta: Array, x: Array, current: Array, partial: Array) -> None:
    """Branch equation a·u - r·j = e, j the branch's own unknown."""
    n, p = blocks.counts[SOURCE], blocks.parameter[SOURCE]
    i, d = blocks.current[SOURCE], blocks.partial[SOURCE]
    for j in range(n):
        current[i + j] = x[blocks.nodes + j]
        partial[d + j] = 1.0
        partial[d + n + j] = theta[p + j]
        partial[d + 2 * n + j] = theta[p + n + j]


@shared
def evaluate(
    blocks: Blocks,
    plus: Places,
    minus: Places,
    theta: Array,
    x: Array,
    u: Array,
    current: Array,
    partial: Array,
    memory: Array,
) -> bool:
    """Fill port volts u, currents and partials at x (unknowns by node, then branch); whether a limiter acted.

    memory: what the limiters remember of the iteration before, brought up to date; empty: they hold nothing back.
    """
    for k in range(len(u)):
        u[k] = x[plus[k]] - x[minus[k]]
    _linear(blocks, theta, u, current, partial)
    limited = _junction(blocks, theta, u, current, partial, memory)
    limited = _valve(blocks, theta, u, current, partial, memory) or limited
    limited = _converter(blocks, theta, u, current, partial, memory) or limited
    _mosfet(blocks, theta, u, current, partial)
    limited = _bjt(blocks, theta, u, current, partial, memory) or limited
    _power(blocks, theta, u, current, partial)
    _source(blocks, theta, x, current, partial)
    return limited


@shared
def unbalance(
    blocks: Blocks,
    plus: Places,
    minus: Places,
    theta: Array,
    x: Array,
    u: Array,
    current: Array,
    leak: Array,
    extras: Extras,
    residual: Array,
) -> None:
    """Fill the residual: currents out of each node, `leak` (S to ground) included, then each branch's equation."""
    nodes = blocks.nodes
    for k in range(nodes):
        residual[k] = leak[k] * x[k]
    for k in range(len(current)):
        port = blocks.current_port[k]
        residual[plus[port]] += current[k]
        residual[minus[port]] -= current[k]
    for k in range(len(extras.first)):
        amps = extras.siemens[k] * (x[extras.first[k]] - x[extras.second[k]])
        residual[extras.first[k]] += amps
        residual[extras.second[k]] -= amps
    n, p, at = blocks.counts[SOURCE], blocks.parameter[SOURCE], blocks.port[SOURCE]
    for j in range(n):
        residual[nodes + j] = theta[p + j] * u[at + j] - theta[p + n + j] * x[nodes + j] - theta[p + 2 * n + j]


@inner
def largest_source(blocks: Blocks, theta: Array) -> float:
    """The largest ideal voltage source, V."""
    n, p = blocks.counts[SOURCE], blocks.parameter[SOURCE]
    most = 0.0
    for j in range(n):
        most = max(most, abs(theta[p + 2 * n + j]))
    return most if most < inf else 0.0
