"""One supply on: limit, protections and voltage set and read back, ramp, inrush, then the current it draws.

Refused without a current limit, and before the supply's check for a short unless the step says `why`. While the step
runs the guard holds the current to the step's envelope: `trip`, or twice what is expected at most. Later steps are held
to `trip` where it is given, and to the limit always.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator

from wakeboard.harness.describe.problems import quoted
from wakeboard.harness.describe.sequence.step_model import RampField, StepModel, positive
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import Amps, AmpsLimits, Seconds, Volts, refused
from wakeboard.harness.run.decide import Limits
from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.fitness import wiring
from wakeboard.harness.run.fitness.selfcheck import check_supply_against_meter
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.owner import Ramp, Setting
from wakeboard.harness.run.services.envelope import INRUSH_MOST, envelope_of, with_most
from wakeboard.harness.run.steps import _power
from wakeboard.instruments.quantity import QuantityError, parse
from wakeboard.results.told import PowerTold

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from wakeboard.harness.describe.sequence.paper import Paper
    from wakeboard.harness.run.context import Context

KIND = "power on"
NEEDS = Needs(power="either", energises=True, accuses=True)
TELLS = (PowerTold,)
STOPS = True

OVP_SHARE = 1.10  # over-voltage protection this much above the voltage set, and …
OVP_VOLTS = 0.5  # … this much more: it is a stop for a catastrophe, and coarse (0.5 % + 0.5 V on some supplies)
ENVELOPE = 2.0  # the guard trips at this much of the most current expected, unless `trip` says otherwise


def _protection(found: object) -> object:
    """A level, A; "off" is 0."""
    if found is None or found == "off":
        return None if found is None else 0.0
    allowed = 'a current, such as "120 mA", or "off"'
    try:
        return positive(parse(str(found), "A"), "120 mA")
    except QuantityError as error:
        raise refused(error.found, allowed) from None


Protection = Annotated[float | None, BeforeValidator(_protection)]


class Switched(StepModel):
    """volts: the supply's nominal where not given; expect: the current once the board has settled; trip: the guard
    cuts above it, in this step and after; inrush: how long the supply may limit, else C·V/I of the board's capacitors;
    settle: the wait after the ramp, else until the processor has booted; ocp: the supply's own over-current
    protection, else as the supply can (guard/armed.py), "off": none."""

    supply: str = Field(description="the supply to switch on")
    limit: Amps = Field(description='the current limit, such as "120 mA"; nothing is energised without one')
    volts: Volts | None = None
    ramp: RampField | None = None
    ovp: Volts | None = None
    ocp: Protection = None
    expect: AmpsLimits | None = None
    trip: Amps | None = None
    inrush: Seconds | None = None
    settle: Seconds | None = None

    @field_validator("limit", "volts", "ovp", "trip", "inrush")
    @classmethod
    def _above_zero(cls, value: float | None) -> float | None:
        return positive(value, "120 mA")

    @field_validator("inrush")
    @classmethod
    def _ends(cls, seconds: float | None) -> float | None:
        if seconds is not None and seconds > INRUSH_MOST:
            raise refused(f"{seconds:g} s", f"at most {INRUSH_MOST:g} s: so long no trip rule but the limit holds")
        return seconds


class Model(Switched):
    """As above."""

    do: Literal["power on"]


def on_paper(paper: Paper, table: Mapping[str, object]) -> None:
    """Nothing is energised without a limit, twice, or before its check for a short without a reason."""
    if "limit" not in table:
        paper.problem("limit", "no current limit", 'limit = "120 mA"; nothing is energised without one')
    for supply in paper.names(table.get("supply")):
        if supply in paper.on:
            paper.problem("supply", f"{quoted(supply)}, which is on already", "a supply that is off")
        elif supply in paper.board.supplies and supply not in paper.checked and not table.get("why"):
            allowed = f'a "resistance" step of {quoted(supply)} before it, or why = "…"'
            paper.problem("supply", f"{quoted(supply)} energised before its check for a short", allowed)
        paper.on.add(supply)


def run(context: Context, model: Switched, arm: Callable[[], None] | None = None) -> None:
    """arm: makes ready whatever watches the supply come up, just before it does."""
    supply = context.board.supplies[model.supply]
    if model.supply not in context.power.checked and not model.why:
        raise Refused(
            f"{model.supply} is not energised: its check for a short has not passed. Run again, and probe {supply.net} "
            'when the resistance step asks for it; to power it unchecked, give the step a reason: why = "…"'
        )
    volts = supply.volts.nominal if model.volts is None else model.volts
    setting = Setting(volts, model.limit, ovp=_ovp(model, volts), ocp=model.ocp)
    envelope = envelope_of(context, model.supply, volts, model.limit, model.inrush, model.expect)
    _keep(context, model, setting, envelope)
    context.drawn.foresee(model.supply, volts, model.limit)
    start = wiring.prove(context, model.supply, setting)
    if arm is not None:
        arm()
    held, ramp = _held(envelope, model), _ramp(model, start)
    context.log.say(context.power.energise(model.supply, setting, held, ramp, context.log.notes))
    context.log.say(f"{model.supply}: {context.log.notes.protection}" if context.log.notes.protection else "")
    context.time.sleep(_settle(context, model, envelope))
    _supply_volts(context, model.supply, model.volts)
    limits = _power.current_limits(context, model.expect, model.limit)
    _power.read_current(context, model.supply, limits)
    context.guard.bound(model.supply, model.trip, envelope.least_amps)


def _supply_volts(context: Context, name: str, wanted: float | None) -> None:
    """What the meter sees at the supply's own net, where relays can reach it: it must agree with the supply's word, or
    the bench is wired otherwise than its file says."""
    net = context.board.supplies[name].net
    if context.bench.probing.by_hand or not context.meter.reaches(net):
        return
    context.meter.reach(net)
    seen, said = context.meter.volts(), context.guard.sample(name)
    if said.mode != "cc":
        check_supply_against_meter(context.bench, name, said.volts, seen.value)
    context.log.record(net, "dc volts", seen, _volts_limits(context, name, wanted))


BESIDE = 0.05
"""Share by which a supply's net may differ from a setting below its range: the step asks for that, so that the range in
the board file says nothing of it."""


def _volts_limits(context: Context, name: str, wanted: float | None) -> Limits:
    limits = context.board.supplies[name].limits
    if wanted is not None and limits.low is not None and wanted < limits.low:
        return Limits(wanted * (1 - BESIDE), wanted * (1 + BESIDE), "step")
    return Limits(limits.low, limits.high, "board")


def _ovp(model: Switched, volts: float) -> float:
    return model.ovp if model.ovp is not None else OVP_SHARE * volts + OVP_VOLTS


def _held(envelope: Envelope, model: Switched) -> Envelope:
    most = model.trip
    if most is None and model.expect is not None and model.expect.high is not None:
        most = ENVELOPE * model.expect.high + envelope.amps_error
    return with_most(envelope, most)


def _ramp(model: Switched, start: float) -> Ramp | None:
    """start: volts that stand on the net already, from the bench's self-check."""
    if model.ramp is None:
        return None
    return Ramp(model.ramp.volts, model.ramp.seconds, start)


def _settle(context: Context, model: Switched, envelope: Envelope) -> float:
    if model.settle is not None:
        return model.settle
    boot = context.board.target.boot_time if context.board.target else 0.0
    return max(envelope.inrush_s + envelope.lag_s, boot) + 0.05


def _keep(context: Context, model: Switched, setting: Setting, envelope: Envelope) -> None:
    context.log.tell(PowerTold(setting.volts, setting.limit, setting.ovp, setting.ocp, envelope.inrush_s))
    if model.why:
        context.log.say(f"energised because: {model.why}")
