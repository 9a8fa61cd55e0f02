"""A circuit in time: slow transients of capacitors and inductors behind current limits.

Backward Euler at every discontinuity, then the second-order backward difference formula with variable step (Gear's):
both damp, so that a 10 mΩ regulator on 1 µF does not ring at millisecond steps as the trapezoidal rule would. Steps
grow while the predictor agrees. Once every capacitor stands where the operating point has it the circuit is settled,
and time costs nothing until something changes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wakeboard.instruments.virtual.circuit.compiled.elements import GMIN
from wakeboard.instruments.virtual.circuit.compiled.parameters import Parameters
from wakeboard.instruments.virtual.circuit.errors import CircuitError, SolveError, nearest
from wakeboard.instruments.virtual.circuit.faults.effects import Place, into
from wakeboard.instruments.virtual.circuit.faults.fault import Fault
from wakeboard.instruments.virtual.circuit.model import Model, Plan, Variant
from wakeboard.instruments.virtual.circuit.part import Value
from wakeboard.instruments.virtual.circuit.parts import kind_of
from wakeboard.instruments.virtual.circuit.solver.devices import CONVERTER, LINEAR, VALVE, Array
from wakeboard.instruments.virtual.circuit.solver.newton import (
    Evaluation,
    Memory,
    closely,
    evaluate,
    leaks,
    nearby,
    operating_point,
)
from wakeboard.instruments.virtual.circuit.solver.ratings import Overstress, Watch
from wakeboard.instruments.virtual.circuit.solver.structure import Structure

__all__ = ["Overstress", "Simulation"]

LEAST_STEP: Final = 1e-9  # s: far below what any capacitor here can change in
INSTANT: Final = 1e-10  # s: capacitors hold, everything else finds its place
GROWTH: Final = 2.0  # below 1 + √2, where the variable-step formula stops being stable
SETTLED_VOLTS: Final = 2e-6  # how near its final voltage a capacitor counts as there
UNDERWAY_VOLTS: Final = 1e-3  # what moves this far in a step has not arrived: nobody asks yet where it will


@dataclass
class _History:
    """State of the reactive elements: newest first, capacitor volts or inductor amperes (R,), and the steps between."""

    states: list[Array]
    steps: list[float]


@dataclass(frozen=True)
class _Step:
    """A step's answer: x, the equations there, the reactive state, the error in units of what is allowed."""

    x: Array
    e: Evaluation
    state: Array
    error: float


@dataclass(frozen=True)
class _Glide:
    """Parameters that move evenly. keys: the values that they stand for; columns of theta, from and to; s."""

    keys: frozenset[str]
    columns: NDArray[np.intp]
    start: Array
    end: Array
    begins: float
    ends: float

    def at(self, time: float) -> Array:
        share = min(1.0, max(0.0, (time - self.begins) / (self.ends - self.begins)))
        return np.asarray(self.start + share * (self.end - self.start))


class Probe:
    """What a part kind with a behaviour in time may look at: its own pins, now."""

    def __init__(self, simulation: Simulation, part: str) -> None:
        self._simulation, self._part = simulation, part
        self.time = simulation.time

    def volts(self, pin: str) -> float:
        return self._simulation.pin_volts(self._part, pin)

    def current(self, pin: str) -> float:
        return self._simulation.current(self._part, pin)


class Simulation:
    """One variant in time, from rest (every capacitor empty), or from its operating point when `settled`.

    tolerance: error a step may make, relative to the largest capacitor voltage (and 1 V at least). resolution: what
    happens within this time (s) is not followed: a step that short is taken whatever its error, by backward Euler.
    step: a fixed step (s) instead. Raises SolveError when a step has no answer.
    """

    def __init__(
        self,
        model: Model,
        variant: Variant | None = None,
        *,
        settled: bool = False,
        tolerance: float = 1e-4,
        resolution: float = 2e-5,
        step: float | None = None,
    ) -> None:
        self.model = model
        self.variant = variant if variant is not None else Variant()
        self.time = 0.0
        self.tolerance = tolerance
        self.resolution = resolution
        self.fixed_step = step
        self.steps_taken = 0
        self.followers: list[Callable[[], None]] = []
        """Called after each step, and on both sides of a change: whoever wants to see what lies between."""
        self._reactions: dict[str, Mapping[str, Value]] = {}
        self._glides: list[_Glide] = []
        self._memories: dict[str, dict[str, object]] = {
            part.name: {} for part in model.circuit.parts if kind_of(part).react is not None
        }
        self._plan = Plan({}, {}, (), ())
        self._x = np.zeros((1, model.layout.size))
        self._watch = Watch(model)
        self._adopt(self.variant)
        self._history = _History([np.zeros(len(self._linear_rows))], [])
        self._begin()
        if settled:
            self._start_settled()

    # --- set-up ---------------------------------------------------------------------------------------------------
    def _adopt(self, variant: Variant) -> None:
        """Take on a variant: structure, parameters, what is reactive."""
        plan = self.model.plan(variant)
        for name, overrides in self._reactions.items():
            plan.overrides.setdefault(self.model.part_index[name], {}).update(overrides)
        layout = self.model.layout
        structure: Structure = self.model.structure(plan.moves)
        system, refused = self.model.system([plan])
        if refused:
            raise CircuitError(refused[0])
        self._theta = system.parameters.expanded()  # companions of capacitors and inductors change with every step
        self._as_set = self._theta[0].copy()
        self._system = replace(system, parameters=Parameters.whole(self._theta))
        self.variant, self._plan, self._at = variant, plan, structure.at
        self._memory: Memory | None = None
        self._leak = np.full((1, layout.nodes), GMIN)
        if self._x.shape[1] != layout.size:  # nodes for lifted pins were added before the branches
            fresh = np.zeros((1, layout.size))
            old = self._x.shape[1] - layout.branches
            fresh[:, :old] = self._x[:, :old]
            fresh[:, layout.nodes :] = self._x[:, old:]
            self._x = fresh
            self._watch = self._watch.onto(self.model)
        self._watch.place(structure)
        self._cornered = np.array(
            [
                partial
                for b in layout.blocks
                if b.device in (VALVE, CONVERTER)
                for partial in range(b.partials, b.partials + len(b.device.partials) * b.count)
            ],
            dtype=np.intp,
        )
        block = layout.block(LINEAR)
        count = block.count if block else 0
        p = (
            self._theta[0, block.parameters : block.parameters + 4 * count].reshape(4, count)
            if block
            else np.zeros((4, 0))
        )
        base = layout.base[block.parameters : block.parameters + 4 * count].reshape(4, count) if block else p
        self._linear_rows = np.flatnonzero((base[2] != 0) | (base[3] != 0))
        self._g0, self._j0, self._farads, self._henries = (row[self._linear_rows].copy() for row in p)
        self._g_at = (block.parameters if block else 0) + self._linear_rows
        self._j_at = self._g_at + count
        self._coil = (base[3] != 0)[self._linear_rows]
        self._no_coil = np.flatnonzero(~self._coil)
        self._conducts = self._g0 > 0
        self._coil_ohms = np.where(self._coil, 1 / np.where(self._coil & self._conducts, self._g0, 1.0), 1.0)
        ports = (block.ports if block else 0) + self._linear_rows
        self._plus, self._minus = structure.plus[ports], structure.minus[ports]

    def _begin(self) -> None:
        """A discontinuity: forget the past but for the present state."""
        self._forget()
        self._h = self.fixed_step or self.resolution / 4
        self._final: tuple[Array, Evaluation] | None = None
        self._final_tried = False
        self._dirty = True
        self._settled = False

    def _start_settled(self) -> None:
        self._find_final()
        if self._final is None:
            raise self._failure("no operating point to start from")
        self._arrive(*self._final)

    # --- asking ---------------------------------------------------------------------------------------------------
    @property
    def overstress(self) -> list[Overstress]:
        """What went past a rating so far, worst value of each, in order of time."""
        return self._watch.found

    @property
    def settled(self) -> bool:
        """Nothing moves until something changes."""
        return self._settled

    def volts(self, net: str) -> float:
        """Volts of a net now."""
        self._refresh()
        node = self.model.layout.node.get(net)
        if node is None:
            raise CircuitError(f"no net {net!r}{nearest(net, self.model.circuit.nets)}")
        return float(self._x[0, node])

    def pin_volts(self, part: str, pin: str) -> float:
        """Volts where a pin sits now, moved or not."""
        self._refresh()
        self.model.circuit.part(part).net(pin)
        return float(self._x[0, self._at[self.model.layout.terminal(part, pin)]])

    def current(self, part: str, pin: str) -> float:
        """Amperes into the part through a pin now."""
        self._refresh()
        self.model.circuit.part(part).net(pin)
        layout = self.model.layout
        carried = layout.into(layout.terminal(part, pin), self._currents)
        return float(carried) + into((part, pin), self._plan.extras, self._volts_at)

    def _volts_at(self, place: Place) -> float:
        return float(self._x[0, self.model.node(place, self._plan)])

    def power(self, part: str) -> float:
        """Watts into the part now."""
        return sum(self.pin_volts(part, pin) * self.current(part, pin) for pin in self.model.circuit.part(part).pins)

    # --- changing -------------------------------------------------------------------------------------------------
    def change(
        self,
        values: Mapping[str, Value] | None = None,
        moves: Mapping[str, str] | None = None,
        faults: Sequence[Fault] | None = None,
    ) -> None:
        """Set values and move pins (added to what was set before); `faults` replaces the set of faults."""
        new = replace(
            self.variant,
            values={**self.variant.values, **(values or {})},
            moves={**self.variant.moves, **(moves or {})},
            faults=self.variant.faults if faults is None else tuple(faults),
        )
        if new == self.variant:
            return
        self._refresh()
        self._tell()
        self._glides = [each for each in self._glides if not each.keys & set(values or {})]
        self._adopt(new)
        self._begin()
        self._tell()

    def glide(self, values: Mapping[str, float], seconds: float) -> None:
        """Let values move evenly from where they stand to these (an output rises at its slew rate). For values in which
        a part's equations are linear, such as a source's volts."""
        new = replace(self.variant, values={**self.variant.values, **values})
        if new == self.variant:
            return
        self._refresh()
        before = self._standing(self.time)
        self._glides = [each for each in self._glides if not each.keys & set(values)]
        self._adopt(new)
        columns = np.flatnonzero(before != self._standing(self.time))
        ends = self.time + max(seconds, LEAST_STEP)
        self._glides.append(
            _Glide(frozenset(values), columns, before[columns], self._as_set[columns], self.time, ends)
        )  # fmt: skip
        self._begin()

    def _standing(self, time: float) -> Array:
        """Every parameter as it is set at a time, without the companions of what is reactive."""
        theta: Array = self._as_set.copy()
        for each in self._glides:
            theta[each.columns] = each.at(time)
        return theta

    def _arrive_glides(self) -> None:
        """A glide that has come to its end is a corner: what follows is not told by what was."""
        now = self.time + LEAST_STEP
        if any(each.ends <= now for each in self._glides):
            for each in self._glides:
                self._theta[0, each.columns] = each.end
            self._glides = [each for each in self._glides if each.ends > now]
            self._forget()
            self._h = min(self._h, self.resolution)

    def _tell(self) -> None:
        for follower in tuple(self.followers):
            follower()

    # --- time -----------------------------------------------------------------------------------------------------
    def advance(self, seconds: float) -> None:
        """Let time pass."""
        end = self.time + seconds
        while end - self.time > 1e-12 * (1 + end):
            if self._settled:
                self._watch.rest(self.time, end - self.time)
                self.time = end
                if not self._memories or not self._react():
                    return
                continue
            self._step(end)

    def settle(self, limit_s: float) -> bool:
        """Let time pass until nothing moves, `limit_s` at most; whether it settled."""
        end = self.time + limit_s
        while not self._settled and end - self.time > 1e-12 * (1 + end):
            self._step(end)
        return self._settled

    def _step(self, end: float) -> None:
        """One accepted step, not past `end`."""
        left = min([end, *(each.ends for each in self._glides)]) - self.time
        planned = self._h
        h = min(planned, left)
        while True:
            solved = self._attempt(h)
            if solved is None:
                h /= 8
                if h < LEAST_STEP:
                    raise self._failure("no answer in time")
                self._forget()
                continue
            error = solved.error
            if self.fixed_step or error <= 1 or h <= self.resolution:
                break
            h = max(self.resolution, h * max(0.1, 0.8 / error**0.5))
        rough = error > 1 and not self.fixed_step
        order = min(2, len(self._history.steps))
        self._accept(h, solved)
        if rough:
            self._doubt()
        if not self.fixed_step:
            grow = 0.8 / max(error, 1e-9) ** (1 / (order + 1))
            wanted = h * min(GROWTH if order == 2 else 8.0, max(0.3, grow))
            # a step cut short by `end` says nothing against the one that was planned
            self._h = max(wanted, planned) if h == left < planned and not rough else wanted
            self._h = max(self._h, self.resolution / 4)
        if self._glides:
            self._arrive_glides()
        if self._memories and self._react():
            return
        if not self._glides:
            self._try_settled()

    def _forget(self) -> None:
        """Go on from the present state alone: the next step is backward Euler."""
        self._history = _History(self._history.states[:1], [])

    def _doubt(self) -> None:
        """The past says no more than a slope: backward Euler, held against a straight line."""
        self._history = _History(self._history.states[:2], self._history.steps[:1])

    def _attempt(self, h: float) -> _Step | None:
        """Solve for the state h later; None without answer.

        Where an element turns a corner within the step (a supply goes from constant current to constant voltage), the
        past says nothing of what follows: such a step is backward Euler's, which cannot overshoot.
        """
        solved = self._solve_step(h)
        adapts = len(self._history.steps) > 1 and not self.fixed_step
        if adapts and solved is not None and not np.array_equal(self._corners(solved[1]), self._pieces):
            whole, self._history = self._history, _History(self._history.states[:1], [])
            solved = self._solve_step(h)
            self._history = whole
        if solved is None:
            return None
        x, e = solved
        u = x[0, self._plus] - x[0, self._minus]
        state = np.where(self._coil, self._theta[0, self._g_at] * u - self._theta[0, self._j_at], u)
        return _Step(x, e, state, self._error(h, state))

    def _solve_step(self, h: float) -> tuple[Array, Evaluation] | None:
        g, j = self._companions(h)
        self._theta[0, self._g_at] = g
        self._theta[0, self._j_at] = j
        for each in self._glides:
            self._theta[0, each.columns] = each.at(self.time + h)
        return self._solve()

    def _solve(self) -> tuple[Array, Evaluation] | None:
        """The system as it stands, from where things stand: by the short way, else by every means."""
        if self._memory is None:
            self._memory = Memory(self.model.layout, 1)
        else:
            self._memory.carry_over()
        near = nearby(self._system, self._x, self._leak, self._memory, partials=True)
        if near is not None:
            return near
        self._memory = None
        close = closely(self._system, self._x, partials=True)
        if close is not None:
            return close
        solved = operating_point(self._system, self._x, partials=True)
        return (solved.x, solved.e) if solved.ok[0] else None

    def _corners(self, e: Evaluation) -> NDArray[np.bool_]:
        """Which straight piece of its curve each piecewise-linear element is on."""
        return np.asarray(e.partials[0, self._cornered] != 0)

    def _companions(self, h: float) -> tuple[Array, Array]:
        """Norton equivalents of the reactive elements for a step h: i = g·u - j."""
        states, steps = self._history.states, self._history.steps
        if len(steps) >= 2 or (len(steps) == 1 and self.fixed_step):
            r = h / steps[0]
            lead = (1 + 2 * r) / (1 + r) / h
            past = ((1 + r) * states[0] - r * r / (1 + r) * states[1]) / h
        else:
            lead, past = 1 / h, states[0] / h
        # capacitor: i = C·(lead·u - past) + leak; inductor: u = R·i + L·(lead·i - past)
        if len(self._no_coil) == len(self._coil):
            return self._g0 + self._farads * lead, self._farads * past + self._j0
        g_coil = np.where(self._conducts, 1 / (self._coil_ohms + self._henries * lead), 0.0)
        g = np.where(self._coil, g_coil, self._g0 + self._farads * lead)
        j = np.where(self._coil, -g_coil * self._henries * past, self._farads * past + self._j0)
        return g, j

    def _error(self, h: float, state: Array) -> float:
        """How far the predictor was off, in units of the tolerance."""
        states, steps = self._history.states, self._history.steps
        if not len(state) or not steps:
            change = np.abs(state - states[0]).max(initial=0.0)
            return float(change / (50 * self.tolerance * max(1.0, float(np.abs(state).max(initial=0.0)))))
        slope = (states[0] - states[1]) / steps[0]
        guess = states[0] + h * slope
        share = h / (h + steps[0])
        if len(steps) >= 2:
            slope2 = (states[1] - states[2]) / steps[1]
            bend = (slope - slope2) / (steps[0] + steps[1])
            guess = guess + bend * h * (h + steps[0])
            share = 0.5 * h / (h + steps[0] + steps[1])
        size = self.tolerance * max(1.0, float(np.abs(state[self._no_coil]).max(initial=0.0)))
        off = np.abs(state - guess) * share
        return float(off.max() / size)

    def _accept(self, h: float, step: _Step) -> None:
        self._stand(step.x, step.e)
        self.time += h
        self.steps_taken += 1
        self._history.states = [step.state, *self._history.states[:2]]
        self._history.steps = [h, *self._history.steps[:1]]
        self._watch.step(self.time, h, self._x[0], self._currents)
        self._tell()

    def _stand(self, x: Array, e: Evaluation) -> None:
        """Things are so now."""
        self._x = x
        self._currents = e.currents[0]
        self._pieces = self._corners(e)
        self._dirty = False

    def _refresh(self) -> None:
        """After a change, before any time has passed: capacitors hold, the rest finds its place."""
        if not self._dirty:
            return
        history, self._history = self._history, _History(self._history.states[:1], [])
        solved = self._attempt(INSTANT)
        self._history = history
        if solved is None:
            raise self._failure("no answer at the instant of the change")
        self._stand(solved.x, solved.e)

    # --- settling -------------------------------------------------------------------------------------------------
    def _find_final(self) -> None:
        self._final_tried = True
        self._theta[0, self._g_at] = self._g0
        self._theta[0, self._j_at] = self._j0
        self._final = self._solve()
        if self._final is not None:
            self._leak = leaks(self._system, self._final[0])[0]

    def _try_settled(self) -> None:
        """Settled when every capacitor and coil is where the operating point has it."""
        state = self._history.states[0]
        if not self._final_tried or self._final is None or self._stalled():
            if self._underway():
                return
            self._find_final()
        if self._final is None:
            return
        there = self._state_at(self._final[0])
        near = np.abs(state - there) <= np.where(self._coil, 1e-9, SETTLED_VOLTS) + 1e-6 * np.abs(there)
        if near.all():
            self._arrive(*self._final)

    def _underway(self) -> bool:
        """Whether a capacitor moved far in the last step, or the step is not to be trusted."""
        states = self._history.states
        return len(states) < 2 or bool(
            np.abs(states[0] - states[1])[self._no_coil].max(initial=0.0) > UNDERWAY_VOLTS
        )  # fmt: skip

    def _stalled(self) -> bool:
        """Nothing moves although the operating point found at first is elsewhere: there is another one nearer."""
        if len(self._history.steps) < 2:
            return False
        moved = np.abs(self._history.states[0] - self._history.states[1]).max(initial=0.0)
        return bool(moved < 1e-9 and self._history.steps[0] > 1e-3)

    def _state_at(self, x: Array) -> Array:
        u = x[0, self._plus] - x[0, self._minus]
        return np.asarray(np.where(self._coil, self._g0 * u, u))

    def _arrive(self, x: Array, e: Evaluation) -> None:
        self._theta[0, self._g_at] = self._g0
        self._theta[0, self._j_at] = self._j0
        self._history = _History([self._state_at(x)], [])
        self._stand(x, e)
        self._watch.step(self.time, 0.0, self._x[0], self._currents)
        self._settled = True

    def _react(self) -> bool:
        """Let parts with a behaviour in time have their say; whether one changed the circuit."""
        changed = False
        for name, memory in self._memories.items():
            part = self.model.circuit.part(name)
            react = kind_of(part).react
            assert react is not None
            overrides = react(part, Probe(self, name), memory)
            if overrides != self._reactions.get(name, {}):
                self._reactions[name] = overrides
                changed = True
        if changed:
            self._adopt(self.variant)
            self._begin()
        return changed

    def _failure(self, what: str) -> SolveError:
        e = evaluate(self._system, self._x)
        nodes = self.model.layout.nodes
        worst = int(np.argmax(np.abs(e.residual[0, 1:nodes]))) + 1 if nodes > 1 else 0
        node = self.model.layout.node_names[worst]
        parts = tuple(dict.fromkeys(pin.partition(".")[0] for pin in self.model.circuit.on_net(node)))
        residual = float(abs(e.residual[0, worst]))
        return SolveError(
            f"{what} at {self.time:g} s; worst at net {node} ({', '.join(parts)}), {residual:.3g} A unbalanced",
            member=0,
            node=node,
            parts=parts,
            residual=residual,
        )
