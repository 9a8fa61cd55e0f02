"""Supplies with two switches to an output: Rohde & Schwarz HMP and NGE100.

Sources: R&S NGL200/NGM200 User Manual p161, p166, p183 (status bits, modes, fuse) and NGA100 p116-117; HMP and NGE100
are taken to be alike, their output levels and the unit of the fuse's delay are from memory.
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.faces.psu_scpi import LIMITS, OCP_NAMES, SelectedPsu, delay_within
from wakeboard.instruments.virtual.hardware.psu import Output, Rating, Wired, pick
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, ScpiError, Word
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage


class TwoLevelPsu(SelectedPsu):
    """R&S HMP: OUTP:SEL arms a channel, OUTP:GEN is the master switch, OUTP does both; an electronic fuse for current.

    Over-voltage protection is always armed. A tripped channel is free again when it is switched on again.
    """

    identity: ClassVar[tuple[str, str]] = ("ROHDE&SCHWARZ", "HMP4040")
    firmware: ClassVar[str] = "HW50020003/SW2.70"
    glued_query: ClassVar[int] = -103
    output_names: ClassVar[tuple[str, ...]] = ("OUTP1", "OUTP2", "OUTP3", "OUTP4")
    ratings: ClassVar[tuple[Rating, ...]] = (Rating(32.0, 10.0, over=1.0015, ocp="cc", default_amps=0.1),) * 4
    without: ClassVar[tuple[str, ...]] = (*OCP_NAMES, "ovp_state", "ovp_state_query", "protection_clear")
    fuse_delay_unit: ClassVar[float] = 1e-3  # HMP: ms
    fuse_delay_most: ClassVar[float] = 0.25
    frees_itself: ClassVar[bool] = True

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self.armed = [False] * len(self.supply.outputs)
        self.master = False
        self._arm_protection()

    def number(self, value: float) -> str:
        return f"{value:.3f}"

    def _arm_protection(self) -> None:
        for output in self.supply.outputs:
            output.settings.ovp_on = True
            output.settings.ocp_delay = 0.0

    def reset(self) -> None:
        super().reset()
        self.armed = [False] * len(self.armed)
        self.master = False
        self._arm_protection()

    def _follow(self) -> None:
        """Bring the terminals to what the two switches say."""
        for index, output in enumerate(self.supply.outputs):
            wanted = self.master and self.armed[index]
            if wanted and output.tripped:
                continue
            output.switch(wanted)

    def _arm(self, on: bool) -> None:
        if on and self.frees_itself:
            self.output.clear(False)
        if on and self.output.tripped:
            raise ScpiError(-221)
        self.armed[self.selected - 1] = on

    @command("OUTPut:SELect", Boolean())
    def output_select(self, on: bool) -> None:
        self._arm(on)
        self._follow()

    @query("OUTPut:SELect")
    def output_select_query(self) -> str:
        return str(int(self.armed[self.selected - 1]))

    @command("OUTPut:GENeral", Boolean())
    def output_general(self, on: bool) -> None:
        self.master = on
        self._follow()

    @query("OUTPut:GENeral")
    def output_general_query(self) -> str:
        return str(int(self.master))

    def output_state(self, on: bool) -> None:
        self._arm(on)
        if on:
            self.master = True
        self._follow()

    def output_state_query(self) -> str:
        """The channel's own switch, not the terminals: those also need the master switch."""
        return str(int(self.armed[self.selected - 1] and not self.output.tripped))

    def apply_query(self) -> str:
        settings = self.output.settings
        return f"{settings.volts:.3f}, {settings.amps:.4f}"

    @command("[SOURce:]VOLTage:PROTection:MODE", Word(("MEASured", "PROTected")))
    def ovp_mode(self, _: str) -> None:
        """The measured mode is what acts here."""

    @query("[SOURce:]VOLTage:PROTection:MODE")
    def ovp_mode_query(self) -> str:
        return "measured"

    def clear_trip(self, output: Output) -> None:
        output.clear(False)

    @command("FUSE[:STATe]", Boolean())
    def fuse(self, on: bool) -> None:
        self.output.settings.ocp_on = on
        self.output.check()

    @query("FUSE[:STATe]")
    def fuse_query(self) -> str:
        return str(int(self.output.settings.ocp_on))

    @command("FUSE:DELay", Number("S", words=("MINimum", "MAXimum")))
    def fuse_delay(self, delay: float | str) -> None:
        value = pick(delay, 0.0, self.fuse_delay_most / self.fuse_delay_unit, 0.0)
        self.output.settings.ocp_delay = delay_within(value * self.fuse_delay_unit, self.fuse_delay_most)

    @query("FUSE:DELay", LIMITS)
    def fuse_delay_query(self, which: str | None) -> str:
        delay = self.output.settings.ocp_delay if which is None else pick(which, 0.0, self.fuse_delay_most, 0.0)
        return f"{delay / self.fuse_delay_unit:g}"

    @command("FUSE:LINK", Number(words=()))
    def fuse_link(self, number: float) -> None:
        self.supply[round(number)]

    @query("FUSE:TRIPped")
    def fuse_tripped(self) -> str:
        return str(int(self.output.tripped == "ocp"))


class Nge100(TwoLevelPsu):
    """R&S NGE100: as HMP; over-voltage protection has a switch, delays are in seconds, trips need clearing."""

    identity: ClassVar[tuple[str, str]] = ("Rohde&Schwarz", "NGE103B")
    firmware: ClassVar[str] = "1.54"
    ratings: ClassVar[tuple[Rating, ...]] = (Rating(32.0, 3.0, over=1.0015, ocp="cc", default_amps=0.01),) * 3
    without: ClassVar[tuple[str, ...]] = (*OCP_NAMES, "protection_clear")
    fuse_delay_unit: ClassVar[float] = 1.0
    fuse_delay_most: ClassVar[float] = 10.0
    frees_itself: ClassVar[bool] = False

    @command("FUSE:TRIPped:CLEar")
    def fuse_clear(self) -> None:
        self.clear_trip(self.output)
