"""Supplies that speak plain SCPI-1999: the output is selected first, then programmed.

`SelectedPsu` is the trade's common form; makers' faces derive from it and change what they do differently. Sources:
SCPI-1999 volume 2 (SOURce, OUTPut, MEASure, STATus subsystems, from memory); Keysight E3632A User's Guide p88-118 and
E364xA p86-135.
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.hardware.psu import Accuracy, Output, Rating, ScpiPsu, Wired, pick
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, ScpiError, Word
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage

LIMITS = Number(optional=True)
NAMES = Word(tuple(f"{word}{n}" for word in ("OUTPut", "OUT", "CH") for n in (1, 2, 3, 4)))
OCP_NAMES = (
    "ocp",
    "ocp_query",
    "ocp_state",
    "ocp_state_query",
    "ocp_delay",
    "ocp_delay_query",
    "ocp_tripped",
    "ocp_clear",
)
OVP_NAMES = ("ovp", "ovp_query", "ovp_state", "ovp_state_query", "ovp_tripped", "ovp_clear")
_LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"


class SelectedPsu(ScpiPsu):
    """INSTrument selects; VOLTage, CURRent, OUTPut, MEASure act on the selected output."""

    identity: ClassVar[tuple[str, str]] = ("Wakeboard", "PSU-3")
    output_names: ClassVar[tuple[str, ...]] = ("OUT1", "OUT2", "OUT3")

    def number(self, value: float) -> str:
        """A reading or set point as this maker writes it."""
        return f"{value:+.8E}"

    # --- selection --------------------------------------------------------------------------------------------------
    @command(
        "INSTrument[:SELect]", Word(("OUTPut1", "OUTPut2", "OUTPut3", "OUT1", "OUT2", "OUT3", "CH1", "CH2", "CH3"))
    )
    def select_name(self, name: str) -> None:
        self.select(int(name[-1]))

    @query("INSTrument[:SELect]")
    def select_name_query(self) -> str:
        return self.output_names[self.selected - 1]

    @command("INSTrument:NSELect", Number(words=()))
    def select_number(self, number: float) -> None:
        self.select(round(number))

    @query("INSTrument:NSELect")
    def select_number_query(self) -> str:
        return str(self.selected)

    # --- set points -------------------------------------------------------------------------------------------------
    @command("[SOURce:]VOLTage" + _LEVEL, Number("V"))
    def volts(self, volts: float | str) -> None:
        self.output.set_volts(pick(volts, 0.0, self.output.rating.most_volts, 0.0))

    @query("[SOURce:]VOLTage" + _LEVEL, LIMITS)
    def volts_query(self, which: str | None) -> str:
        output = self.output
        return self.number(output.settings.volts if which is None else pick(which, 0.0, output.rating.most_volts, 0.0))

    @command("[SOURce:]CURRent" + _LEVEL, Number("A"))
    def amps(self, amps: float | str) -> None:
        rating = self.output.rating
        self.output.set_amps(pick(amps, 0.0, rating.most_amps, rating.amps))

    @query("[SOURce:]CURRent" + _LEVEL, LIMITS)
    def amps_query(self, which: str | None) -> str:
        output = self.output
        if which is None:
            return self.number(output.settings.amps)
        return self.number(pick(which, 0.0, output.rating.most_amps, output.rating.amps))

    @command("APPLy", Number("V"), Number("A", optional=True))
    def apply(self, volts: float | str, amps: float | str | None) -> None:
        if amps is not None:
            self.amps(amps)
        self.volts(volts)

    @query("APPLy")
    def apply_query(self) -> str:
        settings = self.output.settings
        return f'"{settings.volts:.5f},{settings.amps:.5f}"'

    # --- output and readback ----------------------------------------------------------------------------------------
    @command("OUTPut[:STATe]", Boolean())
    def output_state(self, on: bool) -> None:
        self.output.switch(on)

    @query("OUTPut[:STATe]")
    def output_state_query(self) -> str:
        return "1" if self.output.on else "0"

    @query("MEASure[:SCALar]:VOLTage[:DC]")
    def measure_volts(self) -> str:
        return self.number(self.output.read_volts())

    @query("MEASure[:SCALar]:CURRent[:DC]")
    def measure_amps(self) -> str:
        return self.number(self.output.read_amps())

    # --- protections ------------------------------------------------------------------------------------------------
    @command("[SOURce:]VOLTage:PROTection[:LEVel]", Number("V"))
    def ovp(self, volts: float | str) -> None:
        most = self.output.rating.most_ovp
        self.output.set_ovp(pick(volts, 0.0, most, most))

    @query("[SOURce:]VOLTage:PROTection[:LEVel]", LIMITS)
    def ovp_query(self, which: str | None) -> str:
        output = self.output
        most = output.rating.most_ovp
        return self.number(output.settings.ovp if which is None else pick(which, 0.0, most, most))

    @command("[SOURce:]VOLTage:PROTection:STATe", Boolean())
    def ovp_state(self, on: bool) -> None:
        self.output.settings.ovp_on = on
        self.output.check()

    @query("[SOURce:]VOLTage:PROTection:STATe")
    def ovp_state_query(self) -> str:
        return str(int(self.output.settings.ovp_on))

    @query("[SOURce:]VOLTage:PROTection:TRIPped")
    def ovp_tripped(self) -> str:
        return str(int(self.output.tripped == "ovp"))

    @command("[SOURce:]VOLTage:PROTection:CLEar")
    def ovp_clear(self) -> None:
        self.clear_trip(self.output)

    @command("[SOURce:]CURRent:PROTection[:LEVel]", Number("A"))
    def ocp(self, amps: float | str) -> None:
        most = self.output.rating.most_amps
        self.output.set_ocp(pick(amps, 0.0, most, most))

    @query("[SOURce:]CURRent:PROTection[:LEVel]", LIMITS)
    def ocp_query(self, which: str | None) -> str:
        output = self.output
        most = output.rating.most_amps
        return self.number(output.settings.ocp if which is None else pick(which, 0.0, most, most))

    @command("[SOURce:]CURRent:PROTection:STATe", Boolean())
    def ocp_state(self, on: bool) -> None:
        self.output.settings.ocp_on = on
        self.output.check()

    @query("[SOURce:]CURRent:PROTection:STATe")
    def ocp_state_query(self) -> str:
        return str(int(self.output.settings.ocp_on))

    @command("[SOURce:]CURRent:PROTection:DELay", Number("S"))
    def ocp_delay(self, seconds: float | str) -> None:
        self.output.settings.ocp_delay = delay_within(seconds)

    @query("[SOURce:]CURRent:PROTection:DELay", LIMITS)
    def ocp_delay_query(self, which: str | None) -> str:
        return self.number(self.output.settings.ocp_delay if which is None else delay_within(which))

    @query("[SOURce:]CURRent:PROTection:TRIPped")
    def ocp_tripped(self) -> str:
        return str(int(self.output.tripped == "ocp"))

    @command("[SOURce:]CURRent:PROTection:CLEar")
    def ocp_clear(self) -> None:
        self.clear_trip(self.output)

    @command("OUTPut:PROTection:CLEar")
    def protection_clear(self) -> None:
        self.clear_trip(self.output)

    def clear_trip(self, output: Output) -> None:
        """Clear a latched trip; by this maker's habit the output may come back on."""
        output.clear(self.restores)

    # --- status -----------------------------------------------------------------------------------------------------
    @query("STATus:QUEStionable:INSTrument:ISUMmary<n>:CONDition")
    def summary_condition(self, number: int) -> str:
        return str(self.condition(self.output_of(number)))

    @query("STATus:QUEStionable:INSTrument:ISUMmary<n>[:EVENt]")
    def summary_event(self, number: int) -> str:
        self.output_of(number)
        self.refresh_status()
        return str(self.summaries[number - 1].take_event())

    @command("STATus:QUEStionable:INSTrument:ISUMmary<n>:ENABle", Number(words=()))
    def summary_enable(self, number: int, mask: float) -> None:
        self.output_of(number)
        self.summaries[number - 1].enable = round(mask) & 0x7FFF

    @query("STATus:QUEStionable:INSTrument:ISUMmary<n>:ENABle")
    def summary_enable_query(self, number: int) -> str:
        self.output_of(number)
        return str(self.summaries[number - 1].enable)

    def output_of(self, suffix: int | None) -> Output:
        """The output that a numeric suffix names, the selected one where it is absent; -114."""
        if suffix is None:
            return self.output
        if not 1 <= suffix <= len(self.supply.outputs):
            raise ScpiError(-114)
        return self.supply.outputs[suffix - 1]

    # --- keeping hands off ------------------------------------------------------------------------------------------
    @command("SYSTem:REMote")
    def remote(self) -> None:
        """The panel gives way to the line; nothing else changes."""

    @command("SYSTem:LOCal")
    def local(self) -> None:
        """The panel comes back; nothing else changes."""

    @command("SYSTem:RWLock")
    def locked(self) -> None:
        """The panel is locked; nothing else changes."""


def delay_within(seconds: float | str, most: float = 10.0) -> float:
    """A protection delay of 0 to `most` seconds; -222 beyond."""
    value = pick(seconds, 0.0, most, 0.05)
    if not 0 <= value <= most:
        raise ScpiError(-222)
    return value


class PlainPsu(SelectedPsu):
    """No maker's habits: three outputs, a channel register in the questionable status, summary in bit 13."""

    def refresh_status(self) -> None:
        super().refresh_status()
        self.questionable.update((1 << 13) if any(register.summary for register in self.summaries) else 0)


class SinglePsu(SelectedPsu):
    """E3632A, E3633A, E3634A: one output, its bits in STAT:QUES itself; protections are ON after reset.

    Sources: E3632A User's Guide p88, p91, p109, p118 (bits 0 CC, 1 CV, 9 OV, 10 OC; trips; clear restores the output).
    """

    identity: ClassVar[tuple[str, str]] = ("HEWLETT-PACKARD", "E3632A")
    firmware: ClassVar[str] = "1.1-5.0-1.0"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(15.0, 7.0, 0.001, 0.001, read_volts=Accuracy(0.0005, 0.005), read_amps=Accuracy(0.0015, 0.005)),
    )
    without: ClassVar[tuple[str, ...]] = (
        "select_name",
        "select_name_query",
        "select_number",
        "select_number_query",
        "summary_condition",
        "summary_event",
        "summary_enable",
        "summary_enable_query",
        "protection_clear",
        "ocp_delay",
        "ocp_delay_query",
    )

    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, "0", self.firmware))

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self._arm()

    def reset(self) -> None:
        super().reset()
        self._arm()

    def _arm(self) -> None:
        settings = self.output.settings
        settings.ovp_on = settings.ocp_on = True
        settings.ocp_delay = 0.0

    def refresh_status(self) -> None:
        self.questionable.update(self.condition(self.output))


class TwoOutputPsu(SelectedPsu):
    """E3646A to E3649A: two outputs selected by INST, switched together, over-voltage protection only.

    Sources: E364xA User's and Service Guide p49, p86, p110, p120, p135, p192: INST replies OUTP1/OUTP2; ISUM bits 0 CC,
    1 CV, 9 OV; clear restores the output; accuracy 0.05 % + 10 mV, 0.2 % + 10 mA, read 0.05 % + 5 mV, 0.15 % + 5 mA.
    """

    identity: ClassVar[tuple[str, str]] = ("Agilent Technologies", "E3646A")
    firmware: ClassVar[str] = "1.7-5.0-1.0"
    output_names: ClassVar[tuple[str, ...]] = ("OUTP1", "OUTP2")
    bits: ClassVar[dict[str, int]] = {"cc": 0, "cv": 1, "ovp": 9}
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(20.0, 1.5, program_amps=Accuracy(0.002, 0.010), ocp="none"),
        Rating(
            20.0,
            1.5,
            program_volts=Accuracy(0.001, 0.025),
            program_amps=Accuracy(0.002, 0.010),
            read_volts=Accuracy(0.001, 0.025),
            read_amps=Accuracy(0.0015, 0.010),
            ocp="none",
        ),
    )
    without: ClassVar[tuple[str, ...]] = (
        "ocp",
        "ocp_query",
        "ocp_state",
        "ocp_state_query",
        "ocp_delay",
        "ocp_delay_query",
        "ocp_tripped",
        "ocp_clear",
        "protection_clear",
    )

    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, "0", self.firmware))

    def output_state(self, on: bool) -> None:
        for output in self.supply.outputs:
            output.switch(on)
