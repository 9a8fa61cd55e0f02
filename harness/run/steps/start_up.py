"""One supply on, as "power on" does it, while the bench's oscilloscope watches its rails and lines come up.

    do = "start-up"
    supply = "USB"
    limit = "120 mA"
    order = ["VSYS", "V33", "MCU_RST"]             each through half of its voltage, one after the other
    within = { V33 = "0.5 ms .. 8 ms" }            s after the supply itself is half up
    overshoot = "5 %"
    limits_from = "circuit"                        for the times that `within` does not say

With `limits_from = "circuit"` a time that `within` says nothing of is held against the circuit, driven with the wave
that was seen on the supply's own net (harness/run/arrivals.py): an oscilloscope that does not see that net has none.

Limit, check for a short, envelope, hands and guard are those of "power on": it is that step, with a shot armed before
the output goes on. A time whose uncertainty reaches across its limit is marginal. Without an oscilloscope that sees
what is asked for, the supply is switched on all the same, and the times are skipped and said to be.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator

from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.sequence.step_model import positive
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.state import BenchState
from wakeboard.harness.describe.toml.fields import OneOrMore, Seconds, SecondsLimits, VoltsLimits, refused
from wakeboard.harness.run import topology
from wakeboard.harness.run.arrivals import TIME, Due
from wakeboard.harness.run.decide import OPEN, Limits, decide
from wakeboard.harness.run.services.timing import READ_LEASE, SLOW_LEASE
from wakeboard.harness.run.steps import power_on
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.rising import Level
from wakeboard.instruments.waveform import NoSuchEvent, Timed, Waveform
from wakeboard.results.told import PowerTold, StartUpTold

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.paper import Paper
    from wakeboard.harness.run.bench.bench import WiredScope
    from wakeboard.harness.run.context import Context

KIND = "start-up"
NEEDS = Needs(power="either", energises=True, in_time=True, probes=False)
TELLS = (PowerTold, StartUpTold)
STOPS = True

EVERY_RAIL = "every rail"
HALF = 0.5  # IEEE 181: the mid reference level
SPAN = 0.1  # s after the ramp: what a board with capacitors of some 1000 µF takes (common practice, no source)
RAMP_SLACK = 1.5  # a guard climbs its ramp a little later than it is written
BEFORE = 0.1  # of the time after the trigger, before it
ROOM = 1.3  # of the highest voltage: overshoot must be on the screen
LATE = 5.0  # s beyond the end of a shot
DRAWN = 400  # groups of samples of a kept wave


def _share(found: object) -> object:
    if found is None:
        return None
    written = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*%\s*", found) if isinstance(found, str) else None
    if written is None:
        raise refused(quoted(found), 'a share, such as "5 %"')
    return float(written[1]) / 100


Share = Annotated[float | None, BeforeValidator(_share)]


class Model(power_on.Switched):
    """of: supplies, rails, lines, points or nets, "every rail" for those that should come up; where not given, all of
    that which the oscilloscope sees. order: they pass their level in this order; within: s after the trigger, by name.
    at: the level, of the nominal. overshoot: the most, of the step; ripple: V peak to peak at the end. span: s that are
    watched. limits_from: "circuit" for times that `within` does not say."""

    do: Literal["start-up"]
    of: OneOrMore = ()
    order: OneOrMore = ()
    within: dict[str, SecondsLimits] = Field(default_factory=dict)
    at: Share = HALF
    overshoot: Share = None
    ripple: VoltsLimits | None = None
    span: Seconds | None = None
    limits_from: Literal["circuit"] | None = None

    @field_validator("span", "at")
    @classmethod
    def _more_than_zero(cls, value: float | None) -> float | None:
        return positive(value, "100 ms")


def on_paper(paper: Paper, table: Mapping[str, object]) -> None:
    """As "power on", and what is watched is of the board, and may be expected to have a voltage."""
    power_on.on_paper(paper, table)
    board = paper.board
    if table.get("limits_from") == "circuit":
        _circuit_can_tell(paper, table)
    known = [*board.supplies, *board.rails, *board.lines, *board.points, *board.nets]
    named = [name for name in paper.names(table.get("of")) if name != EVERY_RAIL]
    within = table.get("within")
    for key, names in (
        ("of", named),
        ("order", paper.names(table.get("order"))),
        ("within", list(within) if isinstance(within, dict) else []),
    ):
        for name in names:
            if name not in known:
                allowed = (f'"{EVERY_RAIL}", ' if key == "of" else "") + one_of(known, 20)
                paper.problem(key, f"the name {quoted(name)}", allowed, nearest(name, known))
            elif _nominal(board, board.net_of(name)) is None and not _is_line(board, board.net_of(name)):
                allowed = "one that has a voltage or levels in the board's file: a supply, a rail, a line"
                paper.problem(key, f"{quoted(name)}, of which nobody says what it comes up to", allowed)


def _circuit_can_tell(paper: Paper, table: Mapping[str, object]) -> None:
    """There is a circuit, and something beside the supply's own net, whose time is where time begins."""
    board, supply = paper.board, table.get("supply")
    if not board.parts:
        paper.problem("limits_from", '"circuit" on a board without [parts]', "limits of the step's own: within")
        return
    named = [*paper.names(table.get("of")), *paper.names(table.get("order"))]
    own = board.supplies[supply].net if supply in board.supplies else None
    if named and own is not None and all(name in (supply, own) for name in named):
        allowed = "rails, lines or other nets in `of` or `order`, or neither: all that the oscilloscope sees"
        paper.problem("limits_from", f'"circuit" where only {quoted(own)}, the net of the supply itself, is watched',
                      allowed)  # fmt: skip


@dataclass
class _Watch:
    """What is watched in this run. nets: channel -> net; channel, level: what begins the shot (V); span: s; before: the
    bench when it was armed; due: limits of its times by the circuit."""

    scope: WiredScope
    nets: dict[str, str]
    channel: str
    level: float
    span: float
    before: BenchState
    seen: dict[str, Waveform] = field(default_factory=dict)
    due: Due = field(default_factory=Due)

    @property
    def trigger_net(self) -> str:
        return self.nets[self.channel]


def run(context: Context, model: Model) -> None:
    wanted = _wanted(context, model)
    watch = _watch(context, model, wanted)
    power_on.run(context, model, None if watch is None else lambda: _arm(context, watch))
    unseen = [net for net in wanted if watch is None or net not in watch.nets.values()]
    for net in unseen:
        _skip(context, net)
    if watch is None or not _take(context, model, watch):
        return
    if model.limits_from == "circuit":
        watch.due = _due(context, model, watch, wanted)
    times = {net: _judge(context, model, watch, net) for net in wanted if net in watch.seen}
    _order(context, model, watch, times)
    _keep(context, model, watch, times)


# --- what is watched --------------------------------------------------------------------------------------------------
def _nominal(board: Board, net: str) -> float | None:
    """V that a rail or supply comes to by the board's file: the middle of its limits."""
    limits = [each.limits for each in board.rails.values() if each.net == net]
    limits += [each.limits for each in board.supplies.values() if each.net == net]
    for found in limits:
        if found is not None and found.high is not None:
            return (found.high + (found.high if found.low is None else found.low)) / 2
    return None


def _is_line(board: Board, net: str) -> bool:
    return any(each.net == net for each in board.lines.values())


def _level_of(context: Context, model: Model, net: str) -> float | None:
    share = model.at or HALF
    own = context.board.supplies[model.supply]
    if own.net == net:
        return share * (own.volts.nominal if model.volts is None else model.volts)
    nominal = _nominal(context.board, net)
    if nominal is not None:
        return share * nominal
    line = next((each for each in context.board.lines.values() if each.net == net), None)
    if line is None:
        return None
    found = context.drawn.thresholds(line)
    return (found.low_max + found.high_min) / 2


def _wanted(context: Context, model: Model) -> list[str]:
    """The nets in question, the supply's own first."""
    board, own = context.board, context.board.supplies[model.supply].net
    named = [board.net_of(name) for name in (*model.of, *model.order, *model.within) if name != EVERY_RAIL]
    on = {**context.power.on, model.supply: (0.0, 0.0)}
    up = [rail.net for name, rail in board.rails.items() if topology.is_up(board, name, on, context.power.pins)]
    if EVERY_RAIL in model.of:
        named += [net for net in up if _nominal(board, net) is not None]
    if not model.of and context.bench.scope is not None:
        named += [net for net in context.bench.scope.nets.values() if net in up or net == own]
    return list(dict.fromkeys(sorted(named, key=lambda net: net != own)))


def _watch(context: Context, model: Model, wanted: Sequence[str]) -> _Watch | None:
    scope = context.bench.scope
    if scope is None:
        context.log.say("this bench has no oscilloscope: when the rails come up is not looked at")
        return None
    own = context.board.supplies[model.supply].net
    nets = {channel: net for channel, net in scope.nets.items() if net in wanted or net == own}
    begins = scope.channel_on(own) or next(iter(nets), None)
    level = None if begins is None else _level_of(context, model, nets[begins])
    if begins is None or level is None:
        context.log.say(
            "the oscilloscope sees nothing of what this step asks for: its bench file says what its probes see"
        )
        return None
    before = BenchState(dict(context.power.on), dict(context.power.pins))
    return _Watch(scope, nets, begins, level, _span(context, model), before)


def _span(context: Context, model: Model) -> float:
    if model.span is not None:
        return model.span
    if model.ramp is None:
        return SPAN
    volts = context.board.supplies[model.supply].volts.nominal if model.volts is None else model.volts
    return SPAN + RAMP_SLACK * model.ramp.seconds * volts / model.ramp.volts


def _arm(context: Context, watch: _Watch) -> None:
    """The shot waits for the supply. Raises BenchError."""
    context.time.pulse(SLOW_LEASE)
    top = ROOM * context.bench.highest_volts
    views = [View(channel, 0.0, _top(context, net, top), watch.scope.probe) for channel, net in watch.nets.items()]
    watch.scope.port.prepare(views, Shot(BEFORE * watch.span, watch.span, watch.channel, watch.level))
    watch.scope.port.arm()
    context.time.pulse()


def _top(context: Context, net: str, most: float) -> float:
    """V that must be on the screen: of a rail whose voltage is known that much and some, of a line that of its rail,
    else the highest supply's."""
    nominal = _nominal(context.board, net)
    line = next((each for each in context.board.lines.values() if each.net == net), None)
    if nominal is None and line is not None:
        nominal = context.drawn.thresholds(line).rail
    return most if nominal is None else min(most, ROOM * nominal)


# --- what was seen ----------------------------------------------------------------------------------------------------
def _take(context: Context, model: Model, watch: _Watch) -> bool:
    """Wait for the end of the shot and read it; False where it was never triggered, which is the board's doing unless
    the supply's own net should have done it. Raises BenchError."""
    port = watch.scope.port
    ends = context.time.now + watch.span + LATE
    while not port.done():
        if context.time.now > ends:
            port.stop()
            return _untriggered(context, model, watch)
        context.time.sleep(0.05)
    for channel, net in watch.nets.items():
        context.time.pulse(READ_LEASE)
        watch.seen[net] = port.read(channel)
    context.time.pulse()
    return True


def _untriggered(context: Context, model: Model, watch: _Watch) -> bool:
    net = watch.trigger_net
    if net == context.board.supplies[model.supply].net:
        raise BenchError(
            f"{model.supply} is on, and the oscilloscope saw no rise through {watch.level:.3g} V on {net}: its probe "
            "is on another net, or its ratio is not the one in the bench file",
            instrument=watch.scope.port.name,
        )
    _fails(context, net, f"did not rise through {watch.level:.3g} V within {show(watch.span, 's')}")
    return False


def _due(context: Context, model: Model, watch: _Watch, wanted: Sequence[str]) -> Due:
    """Limits by the circuit; told are nets of which neither it nor `within` says anything."""
    supply = context.board.supplies[model.supply]
    if supply.net not in watch.seen:
        context.log.say(f"no channel sees {supply.net}, from which the circuit's times are told: they have no limits")
        return Due()
    said = {context.drawn.net(name) for name in model.within}
    levels = {net: _level_of(context, model, net) for net in wanted if net in watch.seen and net != supply.net}
    asked = {net: Level(level, _share_of(context, model, net)) for net, level in levels.items() if level is not None}
    volts = supply.volts.nominal if model.volts is None else model.volts
    found = context.predictor.arrivals.due(
        watch.before, model.supply, volts, watch.seen[supply.net], asked, context.time.computing
    )
    if untold := [net for net in asked if net not in said and found.of(net) is None]:
        context.log.say(f"by the circuit nobody can say when {', '.join(untold)} should come up: no limits")
    return found


def _skip(context: Context, net: str) -> None:
    context.log.missing(net, TIME, "s", "skipped", "no channel of an oscilloscope sees it")


def _fails(context: Context, net: str, says: str, quantity: str = TIME, unit: str = "s") -> None:
    context.log.missing(net, quantity, unit, "fail", says)


def _judge(context: Context, model: Model, watch: _Watch, net: str) -> Timed | None:
    """A net's time, overshoot and ripple as readings; its time, None where it has none."""
    wave, level = watch.seen[net], _level_of(context, model, net)
    if level is None:
        return None
    found = _time(context, model, watch, net, level)
    if found is not None:
        _shape(context, model, wave, net)
    return found


def _time(context: Context, model: Model, watch: _Watch, net: str, level: float) -> Timed | None:
    wave = watch.seen[net]
    try:
        found = _passes(context, model, wave, net, level)
    except NoSuchEvent as why:
        _fails(context, net, str(why))
        return None
    asked = next((each for name, each in model.within.items() if context.drawn.net(name) == net), None)
    limits = (watch.due.of(net) or OPEN) if asked is None else Limits(asked.low, asked.high, "step")
    again = wave.crossings(level)
    says = f"rises through {level:.3g} V {again} times" if again > 1 else ""
    outcome = "fail" if again > 1 else decide(found.value, found.u, limits)
    context.log.number(net, TIME, found.value, "s", limits, outcome, u=found.u, says=says)
    return found


def _passes(context: Context, model: Model, wave: Waveform, net: str, level: float) -> Timed:
    """A rail that comes up at all is timed by its own step, so that the gain of the oscilloscope plays no part. Raises
    NoSuchEvent."""
    share = _share_of(context, model, net)
    if share is None or wave.clipped or wave.settled.value < level:
        return wave.crossing(level)
    return wave.passes(share)


def _share_of(context: Context, model: Model, net: str) -> float | None:
    """Of its own step, for what has a voltage; None for a line, which has thresholds."""
    return None if _nominal(context.board, net) is None else model.at or HALF


def _shape(context: Context, model: Model, wave: Waveform, net: str) -> None:
    for quantity, take, limits, unit in (
        ("overshoot", wave.overshoot, None if model.overshoot is None else Limits(None, model.overshoot, "step"), ""),
        (
            "ripple",
            wave.ripple,
            None if model.ripple is None else Limits(model.ripple.low, model.ripple.high, "step"),
            "V",
        ),
    ):
        if limits is None:
            continue
        try:
            found = take()
        except NoSuchEvent as why:
            _fails(context, net, str(why), quantity, unit)
            continue
        context.log.number(net, quantity, found.value, unit, limits, decide(found.value, found.u, limits), u=found.u)


def _order(context: Context, model: Model, watch: _Watch, times: dict[str, Timed | None]) -> None:
    """Each after the one before it: the time between, which must be above zero, and as the circuit gives it."""
    later = Limits(0.0, None, "step")
    for first, second in zip(model.order, model.order[1:], strict=False):
        before, after = context.drawn.net(first), context.drawn.net(second)
        a, b = times.get(before), times.get(after)
        if a is None or b is None:
            continue
        gap, u, limits = b.value - a.value, hypot(a.u, b.u), watch.due.between(before, after) or later
        context.log.number(after, f"after {first}", gap, "s", limits, decide(gap, u, limits), u=u)


def _keep(context: Context, model: Model, watch: _Watch, times: dict[str, Timed | None]) -> None:
    waves: dict[str, dict[str, object]] = {}
    for net, wave in watch.seen.items():
        moments, low, high = wave.thinned(DRAWN)
        found = times.get(net)
        waves[net] = {
            "level": _level_of(context, model, net), "share": _share_of(context, model, net),
            "at": None if found is None else found.value,
            "times": moments, "low": low, "high": high,
        }  # fmt: skip
    context.log.tell(StartUpTold(waves, {"net": watch.trigger_net, "volts": watch.level}))
