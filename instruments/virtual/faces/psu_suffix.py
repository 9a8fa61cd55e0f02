"""GW Instek GPP, where the output's number is a suffix of the first word, and OWON SPM.

Sources: GPP Series User Manual p128 (over-voltage protection; TRIGer is spelled so), the rest of GPP from memory; OWON
SPM from notes of its users that quote its programming manual.
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from wakeboard.instruments.virtual.hardware.psu import Accuracy, Output, Rating, ScpiPsu, Wired, pick
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, ScpiError
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage


class Gpp(ScpiPsu):
    """GW Instek GPP-4323: the output's number is a suffix, :SOUR2:VOLT, :OUTP2:STAT, :MEAS2:VOLT?; OVP and OCP."""

    identity: ClassVar[tuple[str, str]] = ("GW INSTEK", "GPP-4323")
    firmware: ClassVar[str] = "V1.17"
    restores: ClassVar[bool] = False
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(32.0, 3.0, over=1.0, program_volts=Accuracy(0.0003, 0.010), read_volts=Accuracy(0.0003, 0.010)),
        Rating(32.0, 3.0, over=1.0, program_volts=Accuracy(0.0003, 0.010), read_volts=Accuracy(0.0003, 0.010)),
        Rating(5.0, 1.0, over=1.0),
        Rating(15.0, 1.0, over=1.0),
    )

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self._no_delay()

    def reset(self) -> None:
        super().reset()
        self._no_delay()

    def _no_delay(self) -> None:
        for output in self.supply.outputs:
            output.settings.ocp_delay = 0.0

    def _at(self, number: int) -> Output:
        if not 1 <= number <= len(self.supply.outputs):
            raise ScpiError(-114)
        return self.supply.outputs[number - 1]

    @command("SOURce<n>:VOLTage", Number("V"))
    def volts(self, number: int, volts: float | str) -> None:
        output = self._at(number)
        output.set_volts(pick(volts, 0.0, output.rating.most_volts, 0.0))

    @query("SOURce<n>:VOLTage")
    def volts_query(self, number: int) -> str:
        return f"{self._at(number).settings.volts:.3f}"

    @command("SOURce<n>:CURRent", Number("A"))
    def amps(self, number: int, amps: float | str) -> None:
        output = self._at(number)
        output.set_amps(pick(amps, 0.0, output.rating.most_amps, output.rating.amps))

    @query("SOURce<n>:CURRent")
    def amps_query(self, number: int) -> str:
        return f"{self._at(number).settings.amps:.4f}"

    @command("OUTPut<n>[:STATe]", Boolean())
    def output_state(self, number: int, on: bool) -> None:
        self._at(number).switch(on)

    @query("OUTPut<n>[:STATe]")
    def output_state_query(self, number: int) -> str:
        return "ON" if self._at(number).on else "OFF"

    @query("MEASure<n>:VOLTage")
    def measure_volts(self, number: int) -> str:
        return f"{self._at(number).read_volts():.4f}"

    @query("MEASure<n>:CURRent")
    def measure_amps(self, number: int) -> str:
        return f"{self._at(number).read_amps():.4f}"

    @query("MODE<n>")
    def mode(self, number: int) -> str:
        return {"cv": "CV", "cc": "CC", "off": "IND"}[self._at(number).mode]

    @command("OUTPut<n>:OVP", Number("V"))
    def ovp(self, number: int, volts: float | str) -> None:
        output = self._at(number)
        output.set_ovp(pick(volts, 0.5, output.rating.most_ovp, output.rating.most_ovp))

    @query("OUTPut<n>:OVP")
    def ovp_query(self, number: int) -> str:
        return f"{self._at(number).settings.ovp:.3f}"

    @command("OUTPut<n>:OVP:STATe", Boolean())
    def ovp_state(self, number: int, on: bool) -> None:
        output = self._at(number)
        output.settings.ovp_on = on
        output.check()

    @query("OUTPut<n>:OVP:STATe")
    def ovp_state_query(self, number: int) -> str:
        return "ON" if self._at(number).settings.ovp_on else "OFF"

    @query("OUTPut<n>:OVP:TRIGer")
    def ovp_tripped(self, number: int) -> str:
        return "ON" if self._at(number).tripped == "ovp" else "OFF"

    @command("OUTPut<n>:OVP:CLEar")
    @command("OUTPut<n>:OCP:CLEar")
    def clear(self, number: int) -> None:
        self._at(number).clear(self.restores)

    @command("OUTPut<n>:OCP", Number("A"))
    def ocp(self, number: int, amps: float | str) -> None:
        output = self._at(number)
        output.set_ocp(pick(amps, 0.05, output.rating.most_amps, output.rating.most_amps))

    @query("OUTPut<n>:OCP")
    def ocp_query(self, number: int) -> str:
        return f"{self._at(number).settings.ocp:.4f}"

    @command("OUTPut<n>:OCP:STATe", Boolean())
    def ocp_state(self, number: int, on: bool) -> None:
        output = self._at(number)
        output.settings.ocp_on = on
        output.check()

    @query("OUTPut<n>:OCP:STATe")
    def ocp_state_query(self, number: int) -> str:
        return "ON" if self._at(number).settings.ocp_on else "OFF"

    @query("OUTPut<n>:OCP:TRIGer")
    def ocp_tripped(self, number: int) -> str:
        return "ON" if self._at(number).tripped == "ocp" else "OFF"


class Owon(ScpiPsu):
    """OWON SPM3103: one output; VOLT:LIM and CURR:LIM are protection levels; MEAS:ALL:INFO? says mode and trips."""

    identity: ClassVar[tuple[str, str]] = ("OWON", "SPM3103")
    firmware: ClassVar[str] = "FV:V3.4.0"
    ratings: ClassVar[tuple[Rating, ...]] = (
        replace(Rating(30.0, 10.0, over=1.0), read_volts=Accuracy(0.0005, 0.010), read_amps=Accuracy(0.001, 0.010)),
    )
    gap: float = 0.02

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

    @command("VOLTage", Number("V", words=()))
    def volts(self, volts: float) -> None:
        self.output.set_volts(volts)

    @query("VOLTage")
    def volts_query(self) -> str:
        return f"{self.output.settings.volts:.3f}"

    @command("CURRent", Number("A", words=()))
    def amps(self, amps: float) -> None:
        self.output.set_amps(amps)

    @query("CURRent")
    def amps_query(self) -> str:
        return f"{self.output.settings.amps:.3f}"

    @command("VOLTage:LIMit", Number("V", words=()))
    def volt_limit(self, volts: float) -> None:
        self.output.set_ovp(volts)

    @query("VOLTage:LIMit")
    def volt_limit_query(self) -> str:
        return f"{self.output.settings.ovp:.3f}"

    @command("CURRent:LIMit", Number("A", words=()))
    def amp_limit(self, amps: float) -> None:
        self.output.set_ocp(amps)

    @query("CURRent:LIMit")
    def amp_limit_query(self) -> str:
        return f"{self.output.settings.ocp:.3f}"

    @command("OUTPut", Boolean())
    def output_state(self, on: bool) -> None:
        if on:
            self.output.clear(False)
        self.output.switch(on)

    @query("OUTPut")
    def output_state_query(self) -> str:
        return "ON" if self.output.on else "OFF"

    @query("MEASure:VOLTage")
    def measure_volts(self) -> str:
        return f"{self.output.read_volts():.3f}"

    @query("MEASure:CURRent")
    def measure_amps(self) -> str:
        return f"{self.output.read_amps():.3f}"

    @query("MEASure:POWer")
    def measure_watts(self) -> str:
        return f"{self.output.read_volts() * self.output.read_amps():.3f}"

    @query("MEASure:ALL")
    def measure_all(self) -> str:
        return f"{self.output.read_volts():.3f},{self.output.read_amps():.3f}"

    @query("MEASure:ALL:INFO")
    def measure_info(self) -> str:
        output = self.output
        volts, amps = output.read_volts(), output.read_amps()
        ovp, ocp = ("ON" if output.tripped == kind else "OFF" for kind in ("ovp", "ocp"))
        mode = {"off": 0, "cv": 1, "cc": 2}[output.mode]
        return f"{volts:.3f},{amps:.3f},{volts * amps:.3f},{ovp},{ocp},OFF,{3 if output.tripped else mode}"
