"""Siglent SPD3303X: the output's number is a prefix of the header.

Sources: SPD3000X Quick Start p27 and QS0503X p41-42 (second-hand for the status bits), Scientific PSD7303 manual p39
(the form of the error reply), SPD1305X data sheet (accuracy).
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from wakeboard.instruments.virtual.hardware.psu import Accuracy, Output, Rating, ScpiPsu, Wired
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, ScpiError, Word
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage

CHANNEL = Word(("CH1", "CH2", "CH3"), optional=True)

_SPD_OUTPUT = Rating(
    32.0,
    3.2,
    over=1.0,
    ovp="none",
    ocp="none",
    read_volts=Accuracy(0.0003, 0.010),
    read_amps=Accuracy(0.003, 0.010),
)


class PrefixPsu(ScpiPsu):
    """SPD3303X: CH1:VOLT 5; two programmable outputs, a third of fixed voltage that cannot be read; no protections.

    SYST:STAT? answers a hexadecimal word: bits 0, 1 CH1, CH2 in constant current; 3..2 = 01 independent; 4, 5 CH1, CH2
    on.
    """

    identity: ClassVar[tuple[str, str]] = ("Siglent Technologies", "SPD3303X")
    firmware: ClassVar[str] = "1.01.01.02.07R2,V3.0"
    ratings: ClassVar[tuple[Rating, ...]] = (_SPD_OUTPUT, _SPD_OUTPUT, replace(_SPD_OUTPUT, volts=5.0))

    def reset(self) -> None:
        super().reset()
        self._fix_third()

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self._fix_third()

    def _fix_third(self) -> None:
        """The third output's voltage is chosen by a switch at the back; it stands at 5 V here."""
        self.supply.outputs[2].settings.volts = 5.0

    def _prefixed(self, number: int | None) -> Output:
        if number is None:
            return self.output
        if number not in (1, 2):
            raise ScpiError(-114)
        return self.supply[number]

    def _named(self, name: str | None) -> Output:
        return self.output if name is None else self.supply[int(name[-1])]

    @query("SYSTem:ERRor[:NEXT]")
    def system_error(self) -> str:
        number, text = self.errors.pop()
        return f"{number}  {text}"

    @command("INSTrument", Word(("CH1", "CH2")))
    def select_name(self, name: str) -> None:
        self.select(int(name[-1]))

    @query("INSTrument")
    def select_name_query(self) -> str:
        return f"CH{self.selected}"

    @command("[CH<n>:]VOLTage", Number("V", words=()))
    def volts(self, number: int | None, volts: float) -> None:
        self._prefixed(number).set_volts(volts)

    @query("[CH<n>:]VOLTage")
    def volts_query(self, number: int | None) -> str:
        return f"{self._prefixed(number).settings.volts:.3f}"

    @command("[CH<n>:]CURRent", Number("A", words=()))
    def amps(self, number: int | None, amps: float) -> None:
        self._prefixed(number).set_amps(amps)

    @query("[CH<n>:]CURRent")
    def amps_query(self, number: int | None) -> str:
        return f"{self._prefixed(number).settings.amps:.3f}"

    @command("OUTPut", CHANNEL, Boolean())
    def output_state(self, name: str | None, on: bool) -> None:
        self._named(name).switch(on)

    @command("OUTPut:TRACK", Number(words=()))
    def track(self, mode: float) -> None:
        if mode != 0:
            raise ScpiError(-221, "only independent outputs here")

    @query("MEASure:VOLTage", CHANNEL)
    def measure_volts(self, name: str | None) -> str:
        return f"{self._named(name).read_volts():.3f}"

    @query("MEASure:CURRent", CHANNEL)
    def measure_amps(self, name: str | None) -> str:
        return f"{self._named(name).read_amps():.3f}"

    @query("MEASure:POWEr", CHANNEL)
    def measure_watts(self, name: str | None) -> str:
        output = self._named(name)
        return f"{output.read_volts() * output.read_amps():.3f}"

    @query("SYSTem:STATus")
    def system_status(self) -> str:
        word = 0b0100
        for index, output in enumerate(self.supply.outputs[:2]):
            word |= (output.mode == "cc") << index
            word |= output.on << (4 + index)
        return f"0x{word:x}"
