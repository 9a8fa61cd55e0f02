"""Supplies that name the output in each command, by a channel list or a channel argument.

Sources: Keysight E36300 guide E36311-90008 (contents; bit order of ISUM from memory), E36731A User's Guide p78
(over-current protection acts on entry to constant current); Rigol DP800 Programming Guide p1-10, 2-6 to 2-9, 2-35,
2-56, 2-57, 2-98, 2-103.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from wakeboard.instruments.virtual.faces.psu_scpi import LIMITS, SelectedPsu, delay_within
from wakeboard.instruments.virtual.hardware.psu import Accuracy, Output, Rating, ScpiPsu, pick
from wakeboard.instruments.virtual.scpi.data import Boolean, Channels, Number, ScpiError, Word
from wakeboard.instruments.virtual.scpi.tree import command, query

LIST = Channels(optional=True)
_LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"
Listed = tuple[int, ...] | None
APPLIED = Word(("CH1", "CH2", "CH3", "P6V", "P25V", "N25V"), optional=True)


class ListPsu(ScpiPsu):
    """Channel lists: VOLT 5,(@1). Without a list the selected output is meant. E36312A by its identity and ratings."""

    identity: ClassVar[tuple[str, str]] = ("Keysight Technologies", "E36312A")
    firmware: ClassVar[str] = "2.1.0-1.0.4-1.12"
    glued_query: ClassVar[int] = 0
    bits: ClassVar[dict[str, int]] = {"cc": 0, "cv": 1, "ovp": 2, "ocp": 3}
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(6.0, 5.0, ocp="cc", default_amps=0.1),
        Rating(25.0, 1.0, ocp="cc", default_amps=0.1),
        Rating(25.0, 1.0, ocp="cc", default_amps=0.1),
    )

    def _listed(self, channels: Listed) -> list[Output]:
        return [self.supply[number] for number in channels] if channels else [self.output]

    def _answer(self, channels: Listed, value: Callable[[Output], float]) -> str:
        return ",".join(f"{value(output):+.8E}" for output in self._listed(channels))

    def _flags(self, channels: Listed, value: Callable[[Output], bool]) -> str:
        return ",".join(str(int(value(output))) for output in self._listed(channels))

    # --- selection ---------------------------------------------------------------------------------------------------
    @command("INSTrument[:SELect]", Word(("CH1", "CH2", "CH3", "P6V", "P25V", "N25V")))
    def select_name(self, name: str) -> None:
        self.select({"P6V": 1, "P25V": 2, "N25V": 3}.get(name) or int(name[-1]))

    @query("INSTrument[:SELect]")
    def select_name_query(self) -> str:
        return f"CH{self.selected}"

    @command("INSTrument:NSELect", Number(words=()))
    def select_number(self, number: float) -> None:
        self.select(round(number))

    @query("INSTrument:NSELect")
    def select_number_query(self) -> str:
        return str(self.selected)

    # --- set points -----------------------------------------------------------------------------------------------
    @command("[SOURce:]VOLTage" + _LEVEL, Number("V"), LIST)
    def volts(self, volts: float | str, channels: Listed) -> None:
        for output in self._listed(channels):
            output.set_volts(pick(volts, 0.0, output.rating.most_volts, 0.0))

    @query("[SOURce:]VOLTage" + _LEVEL, LIMITS, LIST)
    def volts_query(self, which: str | None, channels: Listed) -> str:
        if which is None:
            return self._answer(channels, lambda output: output.settings.volts)
        return self._answer(channels, lambda output: pick(which, 0.0, output.rating.most_volts, 0.0))

    @command("[SOURce:]CURRent" + _LEVEL, Number("A"), LIST)
    def amps(self, amps: float | str, channels: Listed) -> None:
        for output in self._listed(channels):
            output.set_amps(pick(amps, 0.0, output.rating.most_amps, output.rating.amps))

    @query("[SOURce:]CURRent" + _LEVEL, LIMITS, LIST)
    def amps_query(self, which: str | None, channels: Listed) -> str:
        if which is None:
            return self._answer(channels, lambda output: output.settings.amps)
        return self._answer(channels, lambda output: pick(which, 0.0, output.rating.most_amps, output.rating.amps))

    @command(
        "APPLy",
        APPLIED,
        Number("V"),
        Number("A", optional=True),
    )
    def apply(self, name: str | None, volts: float | str, amps: float | str | None) -> None:
        if name is not None:
            self.select_name(name)
        if amps is not None:
            self.amps(amps, None)
        self.volts(volts, None)

    @query("APPLy", APPLIED)
    def apply_query(self, name: str | None) -> str:
        if name is not None:
            self.select_name(name)
        settings = self.output.settings
        return f'"{settings.volts:.6f},{settings.amps:.6f}"'

    # --- output and readback ----------------------------------------------------------------------------------------
    @command("OUTPut[:STATe]", Boolean(), LIST)
    def output_state(self, on: bool, channels: Listed) -> None:
        for output in self._listed(channels):
            output.switch(on)

    @query("OUTPut[:STATe]", LIST)
    def output_state_query(self, channels: Listed) -> str:
        return self._flags(channels, lambda output: output.on)

    @query("MEASure[:SCALar][:VOLTage][:DC]", LIST)
    def measure_volts(self, channels: Listed) -> str:
        return self._answer(channels, lambda output: output.read_volts())

    @query("MEASure[:SCALar]:CURRent[:DC]", LIST)
    def measure_amps(self, channels: Listed) -> str:
        return self._answer(channels, lambda output: output.read_amps())

    # --- protections ------------------------------------------------------------------------------------------------
    @command("[SOURce:]VOLTage:PROTection[:LEVel]", Number("V"), LIST)
    def ovp(self, volts: float | str, channels: Listed) -> None:
        for output in self._listed(channels):
            output.set_ovp(pick(volts, 0.0, output.rating.most_ovp, output.rating.most_ovp))

    @query("[SOURce:]VOLTage:PROTection[:LEVel]", LIMITS, LIST)
    def ovp_query(self, which: str | None, channels: Listed) -> str:
        if which is None:
            return self._answer(channels, lambda output: output.settings.ovp)
        return self._answer(channels, lambda output: pick(which, 0.0, output.rating.most_ovp, output.rating.most_ovp))

    @command("[SOURce:]VOLTage:PROTection:STATe", Boolean(), LIST)
    def ovp_state(self, on: bool, channels: Listed) -> None:
        for output in self._listed(channels):
            output.settings.ovp_on = on
            output.check()

    @query("[SOURce:]VOLTage:PROTection:STATe", LIST)
    def ovp_state_query(self, channels: Listed) -> str:
        return self._flags(channels, lambda output: output.settings.ovp_on)

    @query("[SOURce:]VOLTage:PROTection:TRIPped", LIST)
    def ovp_tripped(self, channels: Listed) -> str:
        return self._flags(channels, lambda output: output.tripped == "ovp")

    @command("[SOURce:]CURRent:PROTection:STATe", Boolean(), LIST)
    def ocp_state(self, on: bool, channels: Listed) -> None:
        for output in self._listed(channels):
            output.settings.ocp_on = on
            output.check()

    @query("[SOURce:]CURRent:PROTection:STATe", LIST)
    def ocp_state_query(self, channels: Listed) -> str:
        return self._flags(channels, lambda output: output.settings.ocp_on)

    @query("[SOURce:]CURRent:PROTection:TRIPped", LIST)
    def ocp_tripped(self, channels: Listed) -> str:
        return self._flags(channels, lambda output: output.tripped == "ocp")

    @command("[SOURce:]CURRent:PROTection:DELay[:TIME]", Number("S"), LIST)
    def ocp_delay(self, seconds: float | str, channels: Listed) -> None:
        for output in self._listed(channels):
            output.settings.ocp_delay = delay_within(seconds, 0.255)

    @query("[SOURce:]CURRent:PROTection:DELay[:TIME]", LIMITS, LIST)
    def ocp_delay_query(self, which: str | None, channels: Listed) -> str:
        if which is not None:
            return self._answer(channels, lambda output: delay_within(which, 0.255))
        return self._answer(channels, lambda output: output.settings.ocp_delay)

    @command("[SOURce:]CURRent:PROTection:DELay:STARt", Word(("SCHange", "CCTRans")), LIST)
    def ocp_start(self, word: str, channels: Listed) -> None:
        """From when the delay counts: a change of settings, or entering the limit (from memory)."""
        for output in self._listed(channels):
            output.settings.ocp_from_change = word == "SCH"

    @query("[SOURce:]CURRent:PROTection:DELay:STARt", LIST)
    def ocp_start_query(self, channels: Listed) -> str:
        words = ["SCH" if output.settings.ocp_from_change else "CCTR" for output in self._listed(channels)]
        return ",".join(words)

    @command("OUTPut:PROTection:CLEar", LIST)
    def protection_clear(self, channels: Listed) -> None:
        for output in self._listed(channels):
            output.clear(self.restores)

    # --- status -----------------------------------------------------------------------------------------------------
    @query("STATus:QUEStionable:INSTrument:ISUMmary<n>:CONDition")
    def summary_condition(self, number: int) -> str:
        return f"{self.condition(self._numbered(number)):+d}"

    @query("STATus:QUEStionable:INSTrument:ISUMmary<n>[:EVENt]")
    def summary_event(self, number: int) -> str:
        self._numbered(number)
        self.refresh_status()
        return f"{self.summaries[number - 1].take_event():+d}"

    def _numbered(self, number: int) -> Output:
        if not 1 <= number <= len(self.supply.outputs):
            raise ScpiError(-114)
        return self.supply.outputs[number - 1]


CHANNEL = Word(("CH1", "CH2", "CH3"), optional=True)


class ArgumentPsu(SelectedPsu):
    """DP800 family (DP832A): the channel is an argument, :OUTP CH1,ON; booleans are answered ON/OFF, trips YES/NO."""

    identity: ClassVar[tuple[str, str]] = ("RIGOL TECHNOLOGIES", "DP832A")
    firmware: ClassVar[str] = "00.01.16"
    output_names: ClassVar[tuple[str, ...]] = ("CH1", "CH2", "CH3")
    bits: ClassVar[dict[str, int]] = {"cc": 0, "cv": 1, "ovp": 2, "ocp": 3}
    restores: ClassVar[bool] = False
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(30.0, 3.0, over=32 / 30, program_volts=Accuracy(0.0005, 0.020), read_volts=Accuracy(0.0005, 0.010)),
        Rating(30.0, 3.0, over=32 / 30, program_volts=Accuracy(0.0005, 0.020), read_volts=Accuracy(0.0005, 0.010)),
        Rating(5.0, 3.0, over=5.3 / 5, program_volts=Accuracy(0.0005, 0.020), read_volts=Accuracy(0.0005, 0.010)),
    )
    without: ClassVar[tuple[str, ...]] = (
        "volts", "volts_query", "amps", "amps_query", "output_state", "output_state_query", "measure_volts",
        "measure_amps", "ovp", "ovp_query", "ovp_state", "ovp_state_query", "ovp_tripped", "ovp_clear", "ocp",
        "ocp_query", "ocp_state", "ocp_state_query", "ocp_delay", "ocp_delay_query", "ocp_tripped", "ocp_clear",
        "protection_clear", "apply", "apply_query",
    )  # fmt: skip

    def number(self, value: float) -> str:
        return f"{value:.3f}"

    def _named(self, name: str | None) -> Output:
        return self.output if name is None else self.supply[int(name[-1])]

    # --- set points -----------------------------------------------------------------------------------------------
    @command("APPLy", CHANNEL, Number("V", optional=True), Number("A", optional=True))
    def apply_to(self, name: str | None, volts: float | str | None, amps: float | str | None) -> None:
        """Also makes the channel the current one; alone it only selects (Programming Guide p2-6, 2-9)."""
        if name is not None:
            self.select(int(name[-1]))
        rating = self.output.rating
        if amps is not None:
            self.output.set_amps(pick(amps, 0.0, rating.most_amps, rating.amps))
        if volts is not None:
            self.output.set_volts(pick(volts, 0.0, rating.most_volts, 0.0))

    @query("APPLy", CHANNEL, Word(("VOLTage", "CURRent"), optional=True))
    def applied(self, name: str | None, which: str | None) -> str:
        output = self._named(name)
        volts, amps = f"{output.settings.volts:.3f}", f"{output.settings.amps:.4f}"
        if which is not None:
            return volts if which == "VOLT" else amps
        return f"CH{output.number},{volts},{amps}"

    @command("[SOURce<n>:]VOLTage" + _LEVEL, Number("V"))
    def source_volts(self, number: int | None, volts: float | str) -> None:
        output = self.output_of(number)
        output.set_volts(pick(volts, 0.0, output.rating.most_volts, 0.0))

    @query("[SOURce<n>:]VOLTage" + _LEVEL, LIMITS)
    def source_volts_query(self, number: int | None, which: str | None) -> str:
        output = self.output_of(number)
        return f"{output.settings.volts if which is None else pick(which, 0.0, output.rating.most_volts, 0.0):.3f}"

    @command("[SOURce<n>:]CURRent" + _LEVEL, Number("A"))
    def source_amps(self, number: int | None, amps: float | str) -> None:
        output = self.output_of(number)
        output.set_amps(pick(amps, 0.0, output.rating.most_amps, output.rating.amps))

    @query("[SOURce<n>:]CURRent" + _LEVEL, LIMITS)
    def source_amps_query(self, number: int | None, which: str | None) -> str:
        output = self.output_of(number)
        most = output.rating.most_amps
        return f"{output.settings.amps if which is None else pick(which, 0.0, most, output.rating.amps):.4f}"

    # --- output and readback ----------------------------------------------------------------------------------------
    @command("OUTPut[:STATe]", CHANNEL, Boolean())
    def switch_output(self, name: str | None, on: bool) -> None:
        self._named(name).switch(on)

    @query("OUTPut[:STATe]", CHANNEL)
    def switched(self, name: str | None) -> str:
        return _on_off(self._named(name).on)

    @query("OUTPut:MODE", CHANNEL)
    @query("OUTPut:CVCC", CHANNEL)
    def regulation(self, name: str | None) -> str:
        return {"cv": "CV", "cc": "CC", "off": "UR"}[self._named(name).mode]

    @query("MEASure[:SCALar][:VOLTage][:DC]", CHANNEL)
    def measured_volts(self, name: str | None) -> str:
        return f"{self._named(name).read_volts():.4f}"

    @query("MEASure[:SCALar]:CURRent[:DC]", CHANNEL)
    def measured_amps(self, name: str | None) -> str:
        return f"{self._named(name).read_amps():.4f}"

    @query("MEASure[:SCALar]:POWEr[:DC]", CHANNEL)
    def measured_watts(self, name: str | None) -> str:
        output = self._named(name)
        return f"{output.read_volts() * output.read_amps():.3f}"

    @query("MEASure[:SCALar]:ALL[:DC]", CHANNEL)
    def measured_all(self, name: str | None) -> str:
        output = self._named(name)
        volts, amps = output.read_volts(), output.read_amps()
        return f"{volts:.4f},{amps:.4f},{volts * amps:.3f}"

    # --- protections ------------------------------------------------------------------------------------------------
    @command("OUTPut:OVP[:STATe]", CHANNEL, Boolean())
    def ovp_switch(self, name: str | None, on: bool) -> None:
        output = self._named(name)
        output.settings.ovp_on = on
        output.check()

    @query("OUTPut:OVP[:STATe]", CHANNEL)
    def ovp_switched(self, name: str | None) -> str:
        return _on_off(self._named(name).settings.ovp_on)

    @command("OUTPut:OVP:VALue", CHANNEL, Number("V"))
    def ovp_value(self, name: str | None, volts: float | str) -> None:
        output = self._named(name)
        output.set_ovp(pick(volts, 0.01, output.rating.most_ovp, output.rating.most_ovp))

    @query("OUTPut:OVP:VALue", CHANNEL, LIMITS)
    def ovp_value_query(self, name: str | None, which: str | None) -> str:
        output = self._named(name)
        most = output.rating.most_ovp
        return f"{output.settings.ovp if which is None else pick(which, 0.01, most, most):.3f}"

    @query("OUTPut:OVP:QUES", CHANNEL)
    @query("OUTPut:OVP:ALAR", CHANNEL)
    def ovp_happened(self, name: str | None) -> str:
        return _yes_no(self._named(name).tripped == "ovp")

    @command("OUTPut:OVP:CLEAR", CHANNEL)
    @command("OUTPut:OCP:CLEAR", CHANNEL)
    def clear_only(self, name: str | None) -> None:
        self._named(name).clear(False)

    @command("OUTPut:OCP[:STATe]", CHANNEL, Boolean())
    def ocp_switch(self, name: str | None, on: bool) -> None:
        output = self._named(name)
        output.settings.ocp_on = on
        output.check()

    @query("OUTPut:OCP[:STATe]", CHANNEL)
    def ocp_switched(self, name: str | None) -> str:
        return _on_off(self._named(name).settings.ocp_on)

    @command("OUTPut:OCP:VALue", CHANNEL, Number("A"))
    def ocp_value(self, name: str | None, amps: float | str) -> None:
        output = self._named(name)
        output.set_ocp(pick(amps, 0.001, output.rating.most_amps, output.rating.most_amps))

    @query("OUTPut:OCP:VALue", CHANNEL, LIMITS)
    def ocp_value_query(self, name: str | None, which: str | None) -> str:
        output = self._named(name)
        most = output.rating.most_amps
        return f"{output.settings.ocp if which is None else pick(which, 0.001, most, most):.4f}"

    @query("OUTPut:OCP:QUES", CHANNEL)
    @query("OUTPut:OCP:ALAR", CHANNEL)
    def ocp_happened(self, name: str | None) -> str:
        return _yes_no(self._named(name).tripped == "ocp")

    @command("[SOURce<n>:]VOLTage:PROTection:CLEar")
    @command("[SOURce<n>:]CURRent:PROTection:CLEar")
    def clear_and_enable(self, number: int | None) -> None:
        """Clears and switches the output on (DP2000 Programming Guide p48; the same is taken for this family)."""
        self.output_of(number).clear(True)


def _on_off(flag: bool) -> str:
    return "ON" if flag else "OFF"


def _yes_no(flag: bool) -> str:
    return "YES" if flag else "NO"
