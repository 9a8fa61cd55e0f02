"""Supplies whose OUTPut switches all outputs together: Keithley 2230G, ITECH IT6300, B&K 9130B, E3631A.

Sources: Keithley 2231A Reference Manual p5-3, p5-24 and Series 2200 Programmer Manual p3-5; ITECH IT6322A Programming
Guide p12; B&K 9130B Programming Manual, command list (bit order inferred from its builder's style); E3631A User's Guide
p77-94. OUTP for all outputs and VOLT:LIM are from memory.
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.faces.psu_scpi import OCP_NAMES, OVP_NAMES, SelectedPsu
from wakeboard.instruments.virtual.hardware.psu import Output, Rating, Wired, pick
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, ScpiError, Word
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage


class ChannelSwitchPsu(SelectedPsu):
    """What Keithley 2230G, ITECH IT6300 and B&K 9130B share: CHAN:OUTP switches the selected output, OUTP all."""

    def number(self, value: float) -> str:
        return f"{value:.4f}"

    @command("[SOURce:]CHANnel:OUTPut[:STATe]", Boolean())
    def channel_state(self, on: bool) -> None:
        self.output.switch(on)

    @query("[SOURce:]CHANnel:OUTPut[:STATe]")
    def channel_state_query(self) -> str:
        return str(int(self.output.on))

    def output_state(self, on: bool) -> None:
        for output in self.supply.outputs:
            output.switch(on)

    def output_state_query(self) -> str:
        return str(int(any(output.on for output in self.supply.outputs)))

    @query("FETCh[:SCALar]:VOLTage[:DC]")
    def fetch_volts(self) -> str:
        return self.measure_volts()

    @query("FETCh[:SCALar]:CURRent[:DC]")
    def fetch_amps(self) -> str:
        return self.measure_amps()


CHANNEL = Word(("CH1", "CH2", "CH3"), optional=True)


class Keithley2230(ChannelSwitchPsu):
    """Keithley 2230G, 2231A: bits 0 CV, 1 CC, 3 on in STAT:OPER:INST:ISUM<n>; no protections but a settable limit."""

    identity: ClassVar[tuple[str, str]] = ("Keithley instruments", "2230G-30-1")
    firmware: ClassVar[str] = "1.16-1.04"
    output_names: ClassVar[tuple[str, ...]] = ("CH1", "CH2", "CH3")
    bits: ClassVar[dict[str, int]] = {"cv": 0, "cc": 1}
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(30.0, 1.5, over=1.0, ovp="none", ocp="none"),
        Rating(30.0, 1.5, over=1.0, ovp="none", ocp="none"),
        Rating(6.0, 5.0, over=1.0, ovp="none", ocp="none"),
    )
    without: ClassVar[tuple[str, ...]] = (
        *OVP_NAMES,
        *OCP_NAMES,
        "apply",
        "apply_query",
        "protection_clear",
        "summary_condition",
        "summary_event",
        "summary_enable",
        "summary_enable_query",
    )

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self.limits: list[float | None] = [None] * len(self.supply.outputs)

    def condition(self, output: Output) -> int:
        return super().condition(output) | (8 if output.on else 0)

    def volts(self, volts: float | str) -> None:
        limit = self.limits[self.selected - 1]
        value = pick(volts, 0.0, self.output.rating.most_volts, 0.0)
        if limit is not None and value > limit:
            raise ScpiError(-222)
        self.output.set_volts(value)

    @command("[SOURce:]VOLTage:LIMit[:LEVel]", Number("V"))
    def volt_limit(self, volts: float | str) -> None:
        most = self.output.rating.most_volts
        self.limits[self.selected - 1] = pick(volts, 0.0, most, most)

    @query("[SOURce:]VOLTage:LIMit[:LEVel]")
    def volt_limit_query(self) -> str:
        limit = self.limits[self.selected - 1]
        return self.number(self.output.rating.most_volts if limit is None else limit)

    @command("APPLy", CHANNEL, Number("V"), Number("A", optional=True))
    def apply_to(self, name: str | None, volts: float | str, amps: float | str | None) -> None:
        if name is not None:
            self.select(int(name[-1]))
        if amps is not None:
            self.amps(amps)
        self.volts(volts)

    @query("APPLy", CHANNEL)
    def applied(self, name: str | None) -> str:
        output = self._named(name)
        return f"{self.number(output.settings.volts)}, {self.number(output.settings.amps)}"

    def _named(self, name: str | None) -> Output:
        return self.output if name is None else self.supply[int(name[-1])]

    @query("MEASure[:SCALar]:VOLTage[:DC]", CHANNEL)
    def measure_volts_of(self, name: str | None) -> str:
        return self.number(self._named(name).read_volts())

    @query("MEASure[:SCALar]:CURRent[:DC]", CHANNEL)
    def measure_amps_of(self, name: str | None) -> str:
        return self.number(self._named(name).read_amps())

    @query("STATus:OPERation:INSTrument:ISUMmary<n>:CONDition")
    def operation_summary(self, number: int) -> str:
        return str(self.condition(self.output_of(number)))

    @query("STATus:OPERation:INSTrument:ISUMmary<n>[:EVENt]")
    def operation_summary_event(self, number: int) -> str:
        self.output_of(number)
        self.refresh_status()
        return str(self.summaries[number - 1].take_event())


ORDINAL = Word(("FIRst", "SECOnd", "THIrd", "CH1", "CH2", "CH3"))
_ORDINALS = {"FIR": 1, "SECO": 2, "THI": 3, "CH1": 1, "CH2": 2, "CH3": 3}


class ItechIt6322(ChannelSwitchPsu):
    """ITECH IT6322A: INST FIR|SECO|THI; bits 0 CV, 1 CC, 9 OV in STAT:QUES:INST:ISUM<n>; no over-current protection."""

    identity: ClassVar[tuple[str, str]] = ("ITECH Ltd.", "IT6322A")
    firmware: ClassVar[str] = "1.05-1.03"
    output_names: ClassVar[tuple[str, ...]] = ("CH1", "CH2", "CH3")
    bits: ClassVar[dict[str, int]] = {"cv": 0, "cc": 1, "ovp": 9}
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(30.0, 3.0, over=1.0, ocp="none"),
        Rating(30.0, 3.0, over=1.0, ocp="none"),
        Rating(5.0, 3.0, over=1.0, ocp="none"),
    )
    without: ClassVar[tuple[str, ...]] = (*OCP_NAMES, "select_name", "protection_clear")

    @command("INSTrument[:SELect]", ORDINAL)
    def select_ordinal(self, name: str) -> None:
        self.select(_ORDINALS[name])


class Bk9130(ItechIt6322):
    """B&K 9130B: the same command set as its builder's; INST? answers FIR, SECO, THI."""

    identity: ClassVar[tuple[str, str]] = ("B&K Precision", "9130B")
    firmware: ClassVar[str] = "V1.69-V1.04"
    output_names: ClassVar[tuple[str, ...]] = ("FIR", "SECO", "THI")


_E3631A = Word(("P6V", "P25V"), optional=True)
_E3631A_NUMBERS = {"P6V": 1, "P25V": 2}


class E3631A(SelectedPsu):
    """E3631A's two positive outputs, by name; OUTP switches both; no protections. The negative one is not there."""

    identity: ClassVar[tuple[str, str]] = ("HEWLETT-PACKARD", "E3631A")
    firmware: ClassVar[str] = "2.1-5.0-1.0"
    output_names: ClassVar[tuple[str, ...]] = ("P6V", "P25V")
    bits: ClassVar[dict[str, int]] = {"cc": 0, "cv": 1}
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(6.0, 5.0, ovp="none", ocp="none"),
        Rating(25.0, 1.0, ovp="none", ocp="none"),
    )
    without: ClassVar[tuple[str, ...]] = (
        *OVP_NAMES,
        *OCP_NAMES,
        "apply",
        "apply_query",
        "protection_clear",
        "select_name",
    )

    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, "0", self.firmware))

    @command("INSTrument[:SELect]", Word(("P6V", "P25V")))
    def select_by_name(self, name: str) -> None:
        self.select(_E3631A_NUMBERS[name])

    def output_state(self, on: bool) -> None:
        for output in self.supply.outputs:
            output.switch(on)

    def output_state_query(self) -> str:
        return str(int(any(output.on for output in self.supply.outputs)))

    @command("APPLy", _E3631A, Number("V"), Number("A", optional=True))
    def apply_to(self, name: str | None, volts: float | str, amps: float | str | None) -> None:
        if name is not None:
            self.select(_E3631A_NUMBERS[name])
        if amps is not None:
            self.amps(amps)
        self.volts(volts)

    @query("APPLy", _E3631A)
    def applied(self, name: str | None) -> str:
        settings = self._named(name).settings
        return f'"{settings.volts:.6f},{settings.amps:.6f}"'

    def _named(self, name: str | None) -> Output:
        return self.output if name is None else self.supply[_E3631A_NUMBERS[name]]

    @query("MEASure[:SCALar]:VOLTage[:DC]", _E3631A)
    def measure_volts_of(self, name: str | None) -> str:
        return self.number(self._named(name).read_volts())

    @query("MEASure[:SCALar]:CURRent[:DC]", _E3631A)
    def measure_amps_of(self, name: str | None) -> str:
        return self.number(self._named(name).read_amps())
