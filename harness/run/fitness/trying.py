"""What `wakeboard bench` tries of a supply and of relays, so that a run is not the first to meet a refused command.

A supply: voltage, limit and protections in the forms that a run says, each read back, while every output of it says
that it is off; then as it was. Relays: one channel closed and opened again, and only with every output of the bench
seen to be off and the meter in volts. The channel that puts the meter's leads together where there is one, else the one
of a test resistor: they reach no net of the board.

A meter's diode test is not tried: no step of a run uses it, and it sends 1 mA at up to 7 V into whatever the leads are
on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from wakeboard.harness.run.guard.armed import Armed, protections
from wakeboard.harness.run.guard.core import Envelope
from wakeboard.harness.run.guard.owner import Setting
from wakeboard.instruments.errors import BenchError, InstrumentFault, SettingError

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Probing
    from wakeboard.instruments.ports import RelaysPort
    from wakeboard.instruments.scpi.psu import Psu

VOLTS, AMPS, OVP = 3.0, 0.05, 3.8  # OVP as a run sets it for such a voltage; every bench supply goes there
INRUSH = 0.03  # s: what a run allows a small board


def try_settings(psu: Psu, channels: Sequence[str]) -> list[str]:
    """Each output set as a run does it, while it is off; what was taken, in words. Raises BenchError for what is
    refused, by its command, and for an output that comes on meanwhile."""
    told: dict[str, None] = {}
    for channel in channels:
        if not psu.looks.state_questions(channel):
            told[f"cannot tell whether output {channel} is off: its settings are not tried"] = None
            continue
        try:
            told.update(dict.fromkeys(_try_output(psu, channel)))
        except InstrumentFault:  # of a group of commands: which one?
            try:
                psu.set_one_by_one(channel, VOLTS, AMPS)
            finally:
                _must_be_off(psu, channel)
            raise
    return list(told)


def _try_output(psu: Psu, channel: str) -> list[str]:
    ask = psu.dialect.ask
    before = psu.settings(channel) if ask.volts is not None and ask.amps is not None else None
    level = psu.ovp_level(channel)
    try:
        psu.set(channel, VOLTS, AMPS)
        plan = protections(Setting(VOLTS, AMPS, OVP), Envelope(VOLTS, AMPS, INRUSH), psu, channel)
        try:
            return _try_protections(psu, channel, plan)
        finally:
            if level is not None:
                psu.protect(channel, ovp=level)
            if before is not None:
                psu.set(channel, *before)
    finally:  # also where a command was refused
        _must_be_off(psu, channel)


def _must_be_off(psu: Psu, channel: str) -> None:
    if psu.is_on(channel):
        psu.off(channel)
        raise SettingError(
            f"{psu.name}: output {channel} came on while it was set, and is off again", instrument=psu.name
        )


def _try_protections(psu: Psu, channel: str, plan: Armed) -> list[str]:
    """Raises BenchError for an over-voltage protection that is refused; of over-current it is said, as in a run."""
    taken = ["voltage", "current limit"]
    if plan.ovp is not None:
        psu.protect(channel, ovp=plan.ovp)
        taken.append("over-voltage protection")
    refused = []
    if plan.ocp is not None:
        try:
            psu.protect(channel, ocp=plan.ocp, delay=plan.delay)
            taken.append("over-current protection")
        except BenchError as error:
            refused = [f"its over-current protection would not be armed: {error}"]
        psu.unprotect(channel)
    return [f"takes {', '.join(taken[:-1])} and {taken[-1]}, output off", *refused]


def harmless_channel(probing: Probing) -> tuple[str, str]:
    """(channel, what it does) of the relay that touches the board least; ("", "") where the bench file names none."""
    if probing.short is not None:
        return probing.short, "puts the leads together"
    if probing.bleed is not None and probing.bleed.route is not None:
        return probing.bleed.route, "is the test resistor's"
    point, channel = next(iter(probing.routes.items()), ("", ""))
    return channel, f"is {point}'s" if channel else ""


def try_switching(relays: RelaysPort, probing: Probing) -> str:
    """One channel closed and opened, in words. Raises BenchError for what is refused or does not move."""
    channel, does = harmless_channel(probing)
    if not channel:
        return ""
    relays.only(channel)
    relays.open(channel)
    relays.open_all()
    return f"switches: channel {channel}, which {does}, closed and opened"
