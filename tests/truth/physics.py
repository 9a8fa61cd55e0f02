"""Element equations. Each takes the volts of its terminals and gives the amperes that flow into it at each of them.

Functions of arrays, analytic almost everywhere, so that the solver differentiates them by a complex step (Squire and
Trapp, SIAM Review 40, 1998; from memory). A Junction alone brings its own derivative. What is clipped is rounded by a
hyperbola of some microamperes, what switches opens along a ramp with rounded corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.special import wrightomega

Array = np.ndarray[Any, Any]
K_OVER_Q = 1.380649e-23 / 1.602176634e-19  # V/K, exact (SI 2019)
CORNER = 0.002  # of a gate's ramp: how its ends are rounded
ROUNDING = 1e-7  # A: how sharply a current limit takes hold


def thermal(kelvin: float) -> float:
    """kT/q in V."""
    return K_OVER_Q * kelvin


def gate(x: Array, threshold: Any, width: Any) -> Array:
    """0 below threshold - width/2, 1 above threshold + width/2, a ramp with rounded corners between."""
    t = (x - threshold) / width + 0.5
    r = t.real
    if not ((r > -CORNER) & (r < 1 + CORNER)).any():  # most gates stand open or shut
        return (r > 0.5).astype(float)
    return _bend(t) - _bend(t - 1.0)


def _bend(t: Array) -> Array:
    """max(t, 0) with a parabola at its corner."""
    r = t.real
    up = np.where(r > 0, t, 0.0)
    near = np.abs(r) < CORNER
    if near.any():
        up = np.where(near, (t + CORNER) * (t + CORNER) / (4 * CORNER), up)
    return up


def positive(x: Array, rounding: Any = ROUNDING) -> Array:
    """max(x, 0), rounded."""
    root = np.sqrt(x * x + rounding * rounding)
    far = x.real < 0
    if not far.any():
        return 0.5 * (x + root)
    # beside the large root, x + root loses all its digits where x is far below zero
    return np.where(far, 0.5 * rounding * rounding / (root - x + 1e-300), 0.5 * (x + root))


def least(a: Array, b: Array, rounding: Any = ROUNDING) -> Array:
    """min(a, b), rounded."""
    return a - positive(a - b, rounding)


class Ends:
    """Which end of its range each clipped current of a group stood at an iteration ago.

    Both ends are flat, and Newton's steps hop between them for ever; what has just hopped is taken on its slope once.
    """

    def __init__(self) -> None:
        self.before: list[Array] = []
        self.place = 0
        self.hopped = False

    def begin(self) -> None:
        self.place, self.hopped = 0, False

    def hops(self, x: Array, high: Any) -> Array:
        """(n,) which of them went from one end to the other."""
        at = x.real[0]
        region = np.where(at >= high, 1, np.where(at <= 0, -1, 0))
        if self.place == len(self.before):
            self.before.append(np.zeros(region.shape, dtype=int))
        before = self.before[self.place]
        hopped = before * region < 0
        self.before[self.place] = np.where(hopped, 0, region)
        self.place += 1
        self.hopped = self.hopped or bool(hopped.any())
        return hopped


ENDS: list[Ends] = []  # of the group that is being evaluated, where its steps are watched


def between(x: Array, high: Any, rounding: Any = ROUNDING) -> Array:
    """x held within 0 and high."""
    held = least(positive(x, rounding), high + 0.0 * x, rounding)
    if ENDS:
        hopped = ENDS[0].hops(x, high)
        if hopped.any():
            return np.where(hopped, x, held)
    return held


def ease(u: Array) -> Array:
    """u held within 0 and 1, for currents that rise like a resistor's and then stay."""
    return np.where(u.real > 0, u - _bend(u - 1.0), 0.0)


# --- junction: the only one with a derivative of its own ------------------------------------------------------------
def junction(u: Array, saturation: Array, nvt: Array, ohms: Array, offset: Array) -> tuple[Array, Array]:
    """(A, S) of Is·(exp((u - off - i·Rs)/nVt) - 1), less what it would be at u = 0; by Lambert's function."""
    z = np.log(saturation * ohms / nvt) + (u - offset + saturation * ohms) / nvt
    w = wrightomega(np.minimum(z, 1e250)).real
    rest = saturation * np.exp(-offset / nvt)
    return nvt / ohms * w - rest, w / (1 + w) / ohms


# --- the others: terminals' volts -> currents into each ------------------------------------------------------------
Volts = Sequence[Array]


def limited_source(v: Volts, volts: Array, siemens: Array, amps: Array) -> list[Array]:
    """(P, N) a supply or a test current: towards `volts` through 1/siemens, at most `amps`, never sinking."""
    out = between(siemens * (volts - (v[0] - v[1])), amps)
    return [-out, out]


def two_way(v: Volts, siemens: Array, low: Array, high: Array, rounding: Array) -> list[Array]:
    """(A, B) a resistance with a current limit each way."""
    i = siemens * (v[0] - v[1])
    i = least(positive(i, rounding), high + 0.0 * i, rounding) - least(positive(-i, rounding), low + 0.0 * i, rounding)
    return [i, -i]


def sink(v: Volts, amps: Array, knee: Array, power: Array, threshold: Array, width: Array) -> list[Array]:
    """(P, N, control, reference) a current that begins as a power law, full from `knee` volts on; behind a gate."""
    i = amps * ease((v[0] - v[1]) / knee) ** power * gate(v[2] - v[3], threshold, width)
    return [i, -i, 0.0 * i, 0.0 * i]


def two_gates(
    v: Volts, amps: Array, knee: Array, power: Array, t1: Array, w1: Array, t2: Array, w2: Array
) -> list[Array]:
    """(P, N, EN, VIN) the same behind an enable and a lock-out, both against N."""
    i = amps * ease((v[0] - v[1]) / knee) ** power * gate(v[2] - v[1], t1, w1) * gate(v[3] - v[1], t2, w2)
    return [i, -i, 0.0 * i, 0.0 * i]


def leak(v: Volts, amps: Array, knee: Array) -> list[Array]:
    """(A, B) a leakage: ohmic at first, then as good as constant, the same both ways."""
    u = v[0] - v[1]
    i = amps * u / np.sqrt(u * u + knee * knee)
    return [i, -i]


def reverse(v: Volts, amps: Array, rated: Array) -> list[Array]:
    """(A, K) what a diode leaks backwards: by the root of the voltage, up to `amps` at `rated` volts."""
    back = positive(v[1] - v[0], 5e-3)
    i = -amps * (back / (back + 0.05)) * np.sqrt((back + 1e-12) / rated)
    return [i, -i]


def driver(v: Volts, siemens: Array, high: Array, start: Array, width: Array, most: Array) -> list[Array]:
    """(pin, rail, GND) an output transistor: to the rail or to ground, as strong as its rail lets it be."""
    strength = siemens * gate(v[1] - v[2], start, width)
    u = high * (v[0] - v[1]) + (1 - high) * (v[0] - v[2])
    i = strength * u / np.sqrt(1 + (strength * u / most) ** 2)
    return [i, -high * i, -(1 - high) * i]


def regulator(v: Volts, volts: Array, siemens: Array, through: Array, limit: Array, enable: Array, sense: Array,
              lockout: Array, width: Array) -> list[Array]:  # fmt: skip
    """(IN, OUT, GND, EN) a linear regulator's pass element. sense: 1, -1 (active low)."""
    aim, drop = siemens * (volts - (v[1] - v[2])), through * (v[0] - v[1])
    on = gate(sense * (v[3] - v[2]), sense * enable, width) * gate(v[0] - v[2], lockout, width)
    i = on * between(least(aim, drop), limit)
    return [i, -i, 0.0 * i, 0.0 * i]


def fed_back(v: Volts, reference: Array, siemens: Array, through: Array, limit: Array, enable: Array, sense: Array,
             lockout: Array) -> list[Array]:  # fmt: skip
    """(IN, OUT, FB, GND, EN) a linear regulator that holds FB, which takes nothing, at its reference."""
    aim, drop = siemens * (reference - (v[2] - v[3])), through * (v[0] - v[1])
    on = gate(sense * (v[4] - v[3]), sense * enable, 0.1) * gate(v[0] - v[3], lockout, 0.1)
    i = on * between(least(aim, drop), limit)
    return [i, -i, 0.0 * i, 0.0 * i, 0.0 * i]


def fed_back_converter(
    v: Volts, reference: Array, siemens: Array, through: Array, duty: Array, drop: Array, limit: Array,
    efficiency: Array, floor: Array, enable: Array, sense: Array, lockout: Array,
) -> list[Array]:  # fmt: skip
    """(IN, OUT, FB, GND, EN) a switching one."""
    vi, vo = v[0] - v[3], v[1] - v[3]
    on = gate(sense * (v[4] - v[3]), sense * enable, 0.1) * gate(vi, lockout, 0.1)
    out = on * between(least(siemens * (reference - (v[2] - v[3])), through * (duty * vi - drop - vo)), limit)
    taken = out * positive(vo, 1e-4) / (efficiency * (floor + positive(vi - floor, 1e-3)))
    return [taken, -out, 0.0 * out, out - taken, 0.0 * out]


def charger(v: Volts, volts: Array, siemens: Array, through: Array, amps: Array, enable: Array, sense: Array,
            headroom: Array) -> list[Array]:  # fmt: skip
    """(IN, BAT, GND, EN) constant current, then constant voltage."""
    aim, drop = siemens * (volts - (v[1] - v[2])), through * (v[0] - v[1])
    on = gate(sense * (v[3] - v[2]), sense * enable, 0.1) * gate(v[0] - v[1], headroom, 0.05)
    i = on * between(least(aim, drop), amps)
    return [i, -i, 0.0 * i, 0.0 * i]


def load_switch(v: Volts, siemens: Array, limit: Array, enable: Array, sense: Array, lockout: Array) -> list[Array]:
    """(IN, OUT, GND, EN) a switch that conducts both ways."""
    on = gate(sense * (v[3] - v[2]), sense * enable, 0.1) * gate(v[0] - v[2], lockout, 0.1)
    i = siemens * (v[0] - v[1])
    i = on * i / np.sqrt(1 + (i / limit) ** 2)
    return [i, -i, 0.0 * i, 0.0 * i]


def converter(v: Volts, volts: Array, siemens: Array, duty: Array, drop: Array, limit: Array, efficiency: Array,
              floor: Array, enable: Array, sense: Array, lockout: Array) -> list[Array]:  # fmt: skip
    """(IN, OUT, GND, EN) a switching regulator: what it delivers it takes, by its efficiency, from its input."""
    vi, vo = v[0] - v[2], v[1] - v[2]
    on = gate(sense * (v[3] - v[2]), sense * enable, 0.1) * gate(vi, lockout, 0.1)
    out = on * between(least(siemens * (volts - vo), siemens * (duty * vi - drop - vo)), limit)
    taken = out * positive(vo, 1e-4) / (efficiency * (floor + positive(vi - floor, 1e-3)))
    return [taken, -out, out - taken, 0.0 * out]


def supervisor(v: Volts, siemens: Array, most: Array, threshold: Array, alive: Array, held: Array) -> list[Array]:
    """(OUT, VDD, GND) OUT held low from where the part lives to its threshold."""
    vdd = v[1] - v[2]
    low = np.where(held > 0, 1.0, 1.0 - gate(vdd, threshold, 0.02)) * gate(vdd, alive, 0.2)
    u = v[0] - v[2]
    i = low * between(siemens * u, most)
    return [i, 0.0 * i, -i]


def push(v: Volts, siemens: Array, most: Array, threshold: Array, held: Array) -> list[Array]:
    """(OUT, VDD, GND) the upper transistor of a push-pull supervisor."""
    on = np.where(held > 0, 0.0, 1.0) * gate(v[1] - v[2], threshold, 0.02)
    i = on * between(siemens * (v[1] - v[0]), most)
    return [-i, i, 0.0 * i]


def power_load(v: Volts, watts: Array, knee: Array) -> list[Array]:
    """(P, N) constant power above `knee` volts, a resistor below, nothing in reverse."""
    u = v[0] - v[1]
    above = u.real >= knee
    i = np.where(above, watts / np.where(above, u, 1.0), watts * np.where(u.real > 0, u, 0.0) / knee**2)
    return [i, -i]


def one_way(v: Volts, siemens: Array, limit: Array) -> list[Array]:
    """(A, K) an ideal diode."""
    i = between(siemens * (v[0] - v[1]), limit)
    return [i, -i]


def _half_square(x: Array) -> Array:
    """ln²(1 + exp(x/2)): a square above zero, an exponential below."""
    big = x.real > 60
    inner = np.where(big, 0.0, x / 2)
    return np.where(big, x / 2, np.log1p(np.exp(inner))) ** 2


def mosfet(v: Volts, sign: Array, beta: Array, threshold: Array, slope: Array, vt: Array) -> list[Array]:
    """(G, D, S) the EKV channel with slope factor 1 (Enz, Krummenacher and Vittoz 1995; from memory): in strong
    inversion Shichman and Hodges' square law, below threshold an exponential, the same with D and S changed."""
    g, d = sign * (v[0] - v[2]), sign * (v[1] - v[2])
    # the source is the lower end of the channel: bulk and source are one, so turn it round where it is driven backwards
    turned = d.real < 0
    vp = np.where(turned, g - d, g) - threshold
    span = np.where(turned, -d, d)
    i = 2 * beta * vt**2 * (_half_square(vp / vt) - _half_square((vp - span) / vt)) * (1 + slope * span)
    i = sign * np.where(turned, -i, i)
    return [0.0 * i, i, -i]


def _raised(x: Array) -> Array:
    """exp(x), going on as a straight line where no part would still be there."""
    most = 80.0
    far = x.real > most
    e = np.exp(np.where(far, most, x))
    return np.where(far, e * (1 + x - most), e)


def bjt(
    v: Volts, sign: Array, saturation: Array, forward: Array, backward: Array, inverse_early: Array, vt: Array
) -> list[Array]:
    """(B, C, E) Ebers and Moll's transistor in its transport form, with the Early effect."""
    be, bc = sign * (v[0] - v[2]), sign * (v[0] - v[1])
    f, r = saturation * (_raised(be / vt) - 1), saturation * (_raised(bc / vt) - 1)
    carried = (f - r) * (1 - bc * inverse_early)
    collector, base = sign * (carried - r / backward), sign * (f / forward + r / backward)
    return [base, collector, -base - collector]
