"""A bench supply's hardware: outputs in constant voltage or constant current on the circuit, protections that latch.

The faces (psu_faces*.py) speak a maker's commands to this. What it models: programming and readback errors within the
accuracy figure, drawn by serial number; resolution; a finite slew when the voltage rises; no sinking (the circuit's
bench_supply part); over-voltage and over-current protection with a delay. Mode is "cc" while the current loop is in
control. Sources are named at each face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal

from wakeboard.instruments.virtual.circuit.bench.figures import SUPPLY_FARADS
from wakeboard.instruments.virtual.hardware.specimen import drawn
from wakeboard.instruments.virtual.scpi.data import ScpiError
from wakeboard.instruments.virtual.scpi.instrument import ScpiInstrument
from wakeboard.instruments.virtual.scpi.status import Register
from wakeboard.instruments.virtual.time.stage import Event, Stage

Trip = Literal["ovp", "ocp"]
IN_CONTROL = 0.998  # of the actual limit: above it the current loop is in control


@dataclass(frozen=True, slots=True)
class Accuracy:
    """± (share of the value + fixed part)."""

    relative: float
    fixed: float


@dataclass(frozen=True, slots=True)
class Rating:
    """What one output can do. Steps are the resolution of setting and readback; `over` is the settable excess."""

    volts: float
    amps: float
    volt_step: float = 0.001
    amp_step: float = 0.001
    over: float = 1.03
    program_volts: Accuracy = Accuracy(0.0005, 0.010)
    program_amps: Accuracy = Accuracy(0.002, 0.005)
    read_volts: Accuracy = Accuracy(0.0005, 0.005)
    read_amps: Accuracy = Accuracy(0.0015, 0.005)
    ovp: Literal["none", "level"] = "level"
    ocp: Literal["none", "level", "cc"] = "level"
    slew: float = 500.0  # V/s, upwards
    default_ovp: float | None = None  # None: 110 % of the rating
    default_amps: float | None = None  # the limit after reset; None: the rating

    @property
    def most_volts(self) -> float:
        return self.volts * self.over

    @property
    def most_amps(self) -> float:
        return self.amps * self.over

    @property
    def most_ovp(self) -> float:
        return self.volts * 1.1


@dataclass(slots=True)
class Settings:
    """What is programmed into one output."""

    volts: float = 0.0
    amps: float = 0.0
    ovp: float = 0.0
    ovp_on: bool = False
    ocp: float = 0.0
    ocp_on: bool = False
    ocp_delay: float = 0.05
    ocp_from_change: bool = False  # the delay counts from the last change of settings, not from entering the limit


@dataclass(frozen=True, slots=True)
class _Rise:
    """An output on its way up: since when (s), from what to what (V), how fast (V/s)."""

    begins: float
    start: float
    target: float
    slew: float

    @property
    def ends(self) -> float:
        return self.begins + (self.target - self.start) / self.slew

    def at(self, now: float) -> float:
        return self.target if now >= self.ends else self.start + self.slew * (now - self.begins)


@dataclass(slots=True)
class _Errors:
    """Gain and offset of setting and readback of this specimen."""

    set_volts: tuple[float, float]
    set_amps: tuple[float, float]
    read_volts: tuple[float, float]
    read_amps: tuple[float, float]


def _specimen(serial: str, number: int, rating: Rating) -> _Errors:
    def pair(name: str, accuracy: Accuracy) -> tuple[float, float]:
        return (
            1.0 + accuracy.relative * drawn(serial, number, name, "gain"),
            accuracy.fixed * drawn(serial, number, name, "offset"),
        )

    return _Errors(
        pair("set volts", rating.program_volts),
        pair("set amps", rating.program_amps),
        pair("read volts", rating.read_volts),
        pair("read amps", rating.read_amps),
    )


@dataclass(frozen=True, slots=True)
class Wired:
    """What an output is wired to: its bench_supply part and the net at its positive terminal."""

    part: str
    net: str


class Output:
    """One output. wire: its bench_supply in the circuit and the net it feeds; None where it is wired to nothing."""

    def __init__(self, stage: Stage, serial: str, number: int, rating: Rating, wire: Wired | None) -> None:
        self.stage = stage
        self.number = number
        self.rating = rating
        self.part = wire.part if wire else None
        self.net = wire.net if wire else None
        self.on = False
        self.tripped: Trip | None = None
        self.was_on = False
        self.settings = self.defaults()
        self._errors = _specimen(serial, number, rating)
        self._trip: Event | None = None
        self._rise = _Rise(0.0, 0.0, 0.0, rating.slew)
        self._changed = 0.0

    def defaults(self) -> Settings:
        rating = self.rating
        ovp = rating.most_ovp if rating.default_ovp is None else rating.default_ovp
        amps = rating.amps if rating.default_amps is None else rating.default_amps
        return Settings(amps=amps, ovp=ovp, ocp=rating.most_amps)

    # --- setting ----------------------------------------------------------------------------------------------------
    def set_volts(self, volts: float) -> None:
        """Program the voltage; -222 outside the rating."""
        if not 0 <= volts <= self.rating.most_volts + 1e-9:
            raise ScpiError(-222)
        self.settings.volts = _round(volts, self.rating.volt_step)
        if self.on:
            self._drive()

    def set_amps(self, amps: float) -> None:
        """Program the current limit; -222 outside the rating."""
        if not 0 <= amps <= self.rating.most_amps + 1e-9:
            raise ScpiError(-222)
        self.settings.amps = _round(amps, self.rating.amp_step)
        if self.on and self.part is not None:
            self.stage.change({f"{self.part}.limit": self.actual_limit})

    def set_ovp(self, volts: float) -> None:
        """Program the over-voltage level; -222 outside the range."""
        if not 0 <= volts <= self.rating.most_ovp + 1e-9:
            raise ScpiError(-222)
        self.settings.ovp = _round(volts, self.rating.volt_step)
        self.check()

    def set_ocp(self, amps: float) -> None:
        """Program the over-current level; -222 outside the range."""
        if not 0 <= amps <= self.rating.most_amps + 1e-9:
            raise ScpiError(-222)
        self.settings.ocp = _round(amps, self.rating.amp_step)
        self.check()

    def switch(self, on: bool) -> None:
        """Turn the output on or off; -221 while a protection is latched."""
        if on and self.tripped:
            raise ScpiError(-221)
        if on == self.on:
            return
        self.on = on
        if on:
            self._rise = _Rise(self.stage.now, 0.0, 0.0, self.rating.slew)
            self._drive()
        else:
            self._release()

    def reset(self) -> None:
        self.tripped = None
        self.switch(False)
        self.settings = self.defaults()

    def clear(self, restores: bool) -> None:
        """Clear a latched trip; some makers put the output back to where it was before."""
        tripped, self.tripped = self.tripped, None
        if tripped and restores and self.was_on:
            self.switch(True)

    @property
    def actual_volts(self) -> float:
        """What the set voltage really is on this specimen."""
        gain, offset = self._errors.set_volts
        return max(0.0, self.settings.volts * gain + offset) if self.settings.volts > 0 else 0.0

    @property
    def actual_limit(self) -> float:
        gain, offset = self._errors.set_amps
        return max(0.0005, self.settings.amps * gain + offset)

    @property
    def driven(self) -> float:
        """What the output is regulated to now: it rises no faster than its slew rate."""
        return self._rise.at(self.stage.now)

    @property
    def rises_for(self) -> float:
        """Seconds until it stands where it was set to."""
        return self._rise.ends - self.stage.now

    def _drive(self) -> None:
        now = self._changed = self.stage.now
        standing, target = self.driven, self.actual_volts
        slew = self.rating.slew if self.stage.in_time else math.inf
        self._rise = _Rise(now, min(standing, target), target, slew)
        if self.part is None:
            return
        self.stage.change(
            {
                f"{self.part}.volts": self._rise.start,
                f"{self.part}.limit": self.actual_limit,
                f"{self.part}.on": True,
                f"{self.part}.capacitance": SUPPLY_FARADS,
            }
        )
        if target > standing:
            self.stage.glide({f"{self.part}.volts": target}, (target - standing) / self.rating.slew)

    def _release(self) -> None:
        if self._trip is not None:
            self._trip.cancel()
            self._trip = None
        if self.part is not None:  # the output relay opens: its capacitor stays behind
            self.stage.change({f"{self.part}.on": False, f"{self.part}.capacitance": 0.0})

    # --- the truth at the terminals -----------------------------------------------------------------------------------
    def true_volts(self) -> float:
        if self.net is None:
            return self.driven if self.on else 0.0
        return self.stage.volts(self.net)

    def true_amps(self) -> float:
        """Current out of the positive terminal."""
        return -self.stage.current(self.part, "P") if self.part is not None and self.on else 0.0

    @property
    def mode(self) -> Literal["off", "cv", "cc"]:
        if not self.on:
            return "off"
        if self.part is None:
            return "cv"
        limited = self.true_amps() >= self.actual_limit * IN_CONTROL and self.true_volts() < self.driven - 1e-4
        return "cc" if limited else "cv"

    # --- readback -----------------------------------------------------------------------------------------------------
    def read_volts(self) -> float:
        gain, offset = self._errors.read_volts
        return _round(self.true_volts() * gain + offset, self.rating.volt_step)

    def read_amps(self) -> float:
        gain, offset = self._errors.read_amps
        amps = self.true_amps() * gain + (offset if self.on else 0.0)
        return _round(max(0.0, amps), self.rating.amp_step)

    # --- protections --------------------------------------------------------------------------------------------------
    def check(self) -> None:
        """Look whether a protection has to act."""
        settings = self.settings
        if not self.on:
            return
        if settings.ovp_on and self.true_volts() > settings.ovp:
            self.trip("ovp")
        elif settings.ocp_on and self._over_current():
            if self._trip is None:
                start = self._changed if settings.ocp_from_change else self.stage.now
                due = max(self.stage.now, start + settings.ocp_delay)
                self._trip = self.stage.at(due, self._trip_late)
        elif self._trip is not None:
            self._trip.cancel()
            self._trip = None

    def _over_current(self) -> bool:
        if self.rating.ocp == "cc":
            return self.mode == "cc"
        return self.true_amps() > self.settings.ocp * IN_CONTROL

    def _trip_late(self) -> None:
        self._trip = None
        if self.on and self.settings.ocp_on and self._over_current():
            self.trip("ocp")

    def trip(self, kind: Trip) -> None:
        """Latch a protection: the output goes off until it is cleared."""
        self.was_on = self.on
        self.switch(False)
        self.tripped = kind


def _round(value: float, step: float) -> float:
    return round(round(value / step) * step, 9)


class Supply:
    """The outputs of one supply, whatever language it speaks."""

    def __init__(self, stage: Stage, serial: str, ratings: tuple[Rating, ...], wiring: dict[int, Wired]) -> None:
        self.outputs: list[Output] = []
        for number, rating in enumerate(ratings, start=1):
            self.outputs.append(Output(stage, serial, number, rating, wiring.get(number)))
        stage.watch(self.check)

    @property
    def unfinished(self) -> float:
        """Seconds until the last output that is rising is up."""
        return max((output.rises_for for output in self.outputs if output.on), default=0.0)

    def check(self) -> None:
        for output in self.outputs:
            if output.on:
                output.check()

    def reset(self) -> None:
        for output in self.outputs:
            output.reset()

    def __getitem__(self, number: int) -> Output:
        """Output by its number from 1; -222 for one that is not there."""
        if not 1 <= number <= len(self.outputs):
            raise ScpiError(-222)
        return self.outputs[number - 1]


class ScpiPsu(ScpiInstrument):
    """A supply that speaks SCPI; derived faces declare the commands. `ratings` and `restores` are the maker's."""

    ratings: ClassVar[tuple[Rating, ...]] = (Rating(30.0, 3.0), Rating(30.0, 3.0), Rating(6.0, 3.0))
    restores: ClassVar[bool] = True  # clearing a trip puts the output back as it was
    bits: ClassVar[dict[str, int]] = {"cc": 0, "cv": 1, "ovp": 9, "ocp": 10}  # of the channel's status register

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial)
        self.supply = Supply(stage, serial, ratings or self.ratings, wiring)
        self.selected = 1
        self.summaries = [Register() for _ in self.supply.outputs]
        stage.watch(self.refresh_status)

    @property
    def unfinished(self) -> float:
        return self.supply.unfinished

    def registers(self) -> list[Register]:
        return [*super().registers(), *self.summaries]

    def condition(self, output: Output) -> int:
        """The live status bits of one output, by this maker's map."""
        word = 0
        for flag in (output.mode, output.tripped):
            bit = self.bits.get(flag) if flag else None
            if bit is not None:
                word |= 1 << bit
        return word

    def refresh_status(self) -> None:
        for register, output in zip(self.summaries, self.supply.outputs, strict=True):
            register.update(self.condition(output))

    def reset(self) -> None:
        self.supply.reset()
        self.selected = 1

    @property
    def output(self) -> Output:
        """The selected output."""
        return self.supply.outputs[self.selected - 1]

    def select(self, number: int) -> None:
        """Make an output the selected one; -222 where there is none of that number."""
        self.supply[number]
        self.selected = number


def pick(value: float | str, lowest: float, highest: float, default: float) -> float:
    """A number, or what MIN, MAX and DEF stand for; -224 for another word."""
    if not isinstance(value, str):
        return value
    words = {"MIN": lowest, "MAX": highest, "DEF": default}
    if value not in words:
        raise ScpiError(-224)
    return words[value]
