"""Before a run energises anything: is the bench fit to judge a board? Seconds, with every output off.

    notes = check_at_rest(bench)       raises BenchError; notes: what does not stop a run but must be known

    relays    may carry what the board can have; open when told so; not worn out
    meter     nothing is on its input with every relay open; its input is 10 MΩ and not higher where that was set; its
              leads reach each other and it reads zero then; it integrates over the mains that are there
    dates     a calibration that ends soon (one that has ended keeps the bench from being opened)

What fails here is the bench's: the outcome is "error", and nothing is said of the board. Leads on a wrong net, or
reversed, show with a voltage only: see wiring.py.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from typing import TYPE_CHECKING, cast

from wakeboard.harness.run.errors import SkipPoint
from wakeboard.harness.run.fitness.selfcheck import SOON
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.quantity import show
from wakeboard.instruments.virtual.circuit.bench.figures import LEADS_OHMS
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.run.bench.bench import OpenBench
    from wakeboard.harness.run.bench.probing import RelayProbing

OPEN_VOLTS = 0.02  # an open input shows some hum; more says that something is still connected or powered
HIGH_OHMS = 1e9  # from here on an input counts as high-ohmic
CREEP = 0.3  # s between two looks at an open input: the bias current lifts a high-ohmic one meanwhile
ZERO_VOLTS = 0.002  # of leads that touch: thermal voltages and relays below 0.1 mV, a meter's zero far below this
SHORT_RANGE = 1000.0  # Ω: 1 mA, into nothing but the leads
HAND_TRIES = 3  # that a person's probe tips get to touch before the run ends (common practice, no source)
APART = "a lead is off, in another jack or broken, or the terminals at the other side are switched on"
WORN = 0.8  # of a relay's life


def check_at_rest(bench: OpenBench) -> list[str]:
    """Every check that this bench can be put to. Raises BenchError."""
    if not bench.self_check:
        if not bench.probing.by_hand:
            _nothing_connected(bench, looks=1)
        return []
    notes = [*_dates(bench), *_mains(bench), *_input_said(bench)]
    bench.set_input(False)
    if not bench.probing.by_hand:
        notes += _relays(bench)
        _nothing_connected(bench, looks=2)
    return notes + _leads_together(bench)


# --- the meter -------------------------------------------------------------------------------------------------------
def _nothing_connected(bench: OpenBench, looks: int) -> None:
    """Every relay open: about zero through 10 MΩ, and it stays there."""
    bench.probing.release()
    high = bench.input_ohms > HIGH_OHMS  # it floats while it is open: only a resistor tells
    if high and bench.bleed_ohms is None:
        return
    if high:
        bench.probing.load(bench.bleed_ohms)
    first = bench.volts()
    bench.probing.load(None)
    if abs(first.value) > OPEN_VOLTS + 2 * first.u:
        raise BenchError(
            f"the meter reads {first.value:.3f} V with every relay open and every output off: a stuck relay, a lead in "
            "another jack, or something else on its input",
            instrument=bench.meter_name,
        )
    if looks < 2 or high:
        return
    bench.clock.sleep(CREEP)
    second = bench.volts()
    if abs(second.value - first.value) > OPEN_VOLTS:
        raise BenchError(
            f"the meter's open input creeps from {first.value:.3f} V to {second.value:.3f} V: it is high-ohmic, "
            "although it was told 10 MΩ: what pulls a line could not be told",
            instrument=bench.meter_name,
        )


def _input_said(bench: OpenBench) -> Iterator[str]:
    """Left in high impedance by the last one who used it: said, and set right by the first reading."""
    if bench.meter.told("input"):
        yield "the meter's input was left above 10 GΩ; it is set to 10 MΩ"


def _leads_together(bench: OpenBench) -> list[str]:
    """The leads with each other: they reach, and the meter reads zero. Raises BenchError."""
    if not bench.probing.can_short:
        return []
    wrong = ""
    for _ in range(HAND_TRIES if bench.probing.by_hand else 1):
        try:
            bench.probing.short(wrong)
        except SkipPoint:
            return ["that the meter reads zero with its leads together was skipped"]
        wrong = _do_not_touch(bench)
        if not wrong:
            break
    if wrong:
        raise BenchError(wrong, instrument=bench.meter_name)
    volts = bench.volts()
    if abs(volts.value) > ZERO_VOLTS + 2 * volts.u:
        raise BenchError(
            f"the meter reads {volts.value * 1e3:.1f} mV with its leads together: out of adjustment, or a null or "
            "relative value is set at its panel",
            instrument=bench.meter_name,
        )
    bench.probing.release()
    bench.zero_seen()
    return []


def _do_not_touch(bench: OpenBench) -> str:
    """What says that the leads do not reach each other; "" where they do."""
    ohms = bench.ohms(SHORT_RANGE)
    if ohms.overload and bench.probing.by_hand:
        return f"the meter sees an open circuit: the tips do not touch, or {APART}"
    if ohms.overload:
        return f"the meter's leads are together, and it sees an open circuit: {APART}"
    if abs(ohms.value) > LEADS_OHMS:
        return f"the meter's leads are together and have {show(ohms.value, 'Ω', 3)}: a lead or plug with a bad contact"
    return ""


def _mains(bench: OpenBench) -> Iterator[str]:
    told = bench.meter.told("mains")
    if told is not None and bench.mains is not None and abs(told - bench.mains) > 1.0:
        yield (
            f"the meter integrates over periods of {told:g} Hz and the mains here have {bench.mains:g} Hz: hum does "
            "not average out; set it right at the meter, or mains in the bench file"
        )


# --- relays ----------------------------------------------------------------------------------------------------------
def _relays(bench: OpenBench) -> list[str]:
    """What they may carry, and how often they have moved. Raises BenchError."""
    probing = cast("RelayProbing", bench.probing)
    scanner = probing.scanner
    told = scanner.told("most_volts")
    allowed = [each for each in (bench.relay_volts, told, scanner.rated_volts) if each is not None]
    if allowed and bench.highest_volts > min(allowed):
        raise BenchError(
            f"the board may have {bench.highest_volts:g} V, and the relays or cables of this bench may carry "
            f"{min(allowed):g} V",
            instrument=scanner.name,
        )
    life = scanner.life
    counts = probing.all_counts()
    return [
        f"relay {channel} of {scanner.name} has moved {count(moved, 'time')}; at rated load it lasts about {life:g}: "
        "measure its contact"
        for channel, moved in counts.items()
        if moved >= WORN * life
    ]


# --- dates -----------------------------------------------------------------------------------------------------------
def _dates(bench: OpenBench) -> Iterator[str]:
    today = datetime.date.today()
    for each in bench.instruments:
        if each.calibration_due and datetime.date.fromisoformat(each.calibration_due) - today <= SOON:
            yield f"the calibration of {each.name} is due on {each.calibration_due}"
