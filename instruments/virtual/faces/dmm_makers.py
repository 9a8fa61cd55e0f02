"""Meters in the common SCPI form with habits of their own: Keithley 2000 and DMM6500, Fluke 8845A, SDM3065X.

Sources: Keithley Model 2000 data sheet p3 and Model 2016 specifications (the family's tables), User's Manual p3-3;
Fluke 8845A/46A Users Manual p1-12, data sheet p5, Programmers Manual p21, p51; Siglent SDM3065X data sheet 2021-05, its
command words from memory.
"""

from __future__ import annotations

from typing import ClassVar

from wakeboard.instruments.virtual.faces.dmm_keysight import Meter34401A
from wakeboard.instruments.virtual.faces.dmm_scpi import ScpiDmm, count_within
from wakeboard.instruments.virtual.hardware.dmm import AC_34401A, OVERLOAD, TABLE_DMM6500, Probe, Range, Table, ranges
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, Plain, ScpiError, Word
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage
from wakeboard.instruments.virtual.time.waves import Waves

TABLE_2000 = Table(
    ranges(
        (0.1, 0.005, 0.0035), (1, 0.003, 0.0007), (10, 0.003, 0.0005), (100, 0.0045, 0.0006), (1000, 0.0045, 0.0006)
    ),
    AC_34401A,
    (
        Range(100, 1e-4, 4e-5, 1e-3, 9.0),
        Range(1e3, 1e-4, 1e-5, 1e-3, 9.0),
        Range(10e3, 1e-4, 1e-5, 100e-6, 9.0),
        Range(100e3, 1e-4, 1e-5, 10e-6, 9.0),
        Range(1e6, 1e-4, 1e-5, 10e-6, 12.0),
        Range(10e6, 4e-4, 1e-5, 0.7e-6, 9.0),
        Range(100e6, 1.5e-3, 3e-5, 0.7e-6, 9.0),
    ),
    Range(3.0, 4e-5, 7e-6, 1e-3, 5.0, 1.0),
    amps=ranges((0.01, 0.05, 0.008), (0.1, 0.05, 0.08), (1, 0.08, 0.008), (3, 0.12, 0.004)),
)
TABLE_8845A = Table(
    ranges(
        (0.1, 0.005, 0.0035), (1, 0.004, 0.0007), (10, 0.0035, 0.0005), (100, 0.0045, 0.0006), (1000, 0.0045, 0.001)
    ),
    AC_34401A,
    (
        Range(100, 1e-4, 4e-5, 1e-3, 9.0),
        Range(1e3, 1e-4, 1e-5, 1e-3, 9.0),
        Range(10e3, 1e-4, 1e-5, 100e-6, 9.0),
        Range(100e3, 1e-4, 1e-5, 10e-6, 9.0),
        Range(1e6, 1e-4, 1e-5, 10e-6, 12.0),
        Range(10e6, 4e-4, 1e-5, 1e-6, 12.0),
        Range(100e6, 8e-3, 1e-4, 0.1e-6, 12.0),
    ),
    Range(5.0, 1e-4, 2e-4, 1e-3, 7.0, 1.0),
    amps=ranges(  # 8845A/46A Calibration Manual
        (1e-4, 0.05, 0.025),
        (1e-3, 0.05, 0.005),
        (0.01, 0.05, 0.02),
        (0.1, 0.05, 0.005),
        (1, 0.05, 0.02),
        (3, 0.1, 0.02),
        (10, 0.15, 0.02),
    ),
)
TABLE_SDM3065X = Table(
    ranges(
        (0.2, 0.004, 0.0023), (2, 0.0035, 0.0006), (20, 0.004, 0.0004), (200, 0.005, 0.0005), (1000, 0.0055, 0.0008)
    ),
    ranges((0.2, 0.06, 0.04), (2, 0.06, 0.03), (20, 0.08, 0.03), (200, 0.08, 0.03), (750, 0.08, 0.04)),
    (
        Range(200, 1e-4, 4e-5, 1e-3, 8.0),
        Range(2e3, 1e-4, 1e-5, 1e-3, 8.0),
        Range(20e3, 1e-4, 1e-5, 100e-6, 8.0),
        Range(200e3, 1e-4, 1e-5, 10e-6, 8.0),
        Range(1e6, 1.2e-4, 1e-5, 2e-6, 8.0),
        Range(10e6, 4e-4, 1e-5, 0.5e-6, 8.0),
        Range(100e6, 1.75e-2, 4e-5, 0.5e-6, 8.0),
    ),
    Range(4.0, 1e-3, 2e-4, 1e-3, 6.0, 1.0),
    high_z_to=20.0,
    amps=ranges(
        *((2e-4, 0.05, 0.01), (2e-3, 0.05, 0.002), (0.02, 0.05, 0.005), (0.2, 0.05, 0.002)),
        *((2, 0.1, 0.012), (10, 0.15, 0.005)),
    ),
)


class Keithley2000(ScpiDmm):
    """Keithley 2000: more than 10 GΩ up to 10 V whatever is asked, SYST:AZER:STAT, no INPut subsystem."""

    identity: ClassVar[tuple[str, str]] = ("KEITHLEY INSTRUMENTS INC.", "MODEL 2000")
    firmware: ClassVar[str] = "A19  /A02"
    table: ClassVar[Table] = TABLE_2000
    default_nplc: ClassVar[float] = 1.0
    nplc_steps: ClassVar[tuple[float, ...]] = (0.01, 10.0)
    resets_input: ClassVar[bool] = False
    overload_text: ClassVar[str] = "+9.9E37"

    def __init__(self, stage: Stage, serial: str, probe: Probe, waves: Waves, table: Table | None = None) -> None:
        super().__init__(stage, serial, probe, waves, table)
        self.meter.high_z = True

    def reset(self) -> None:
        super().reset()
        self.meter.high_z = True
        self._use()

    def nplc_near(self, wanted: float) -> float:
        return wanted

    @query("[SENSe:]FUNCtion[:ON]")
    def function_query(self) -> str:
        name = self.meter.quantity
        return f'"{name + ":DC" if name in ("VOLT", "CURR") else name}"'

    @command("INITiate:CONTinuous", Boolean())
    def initiate_continuous(self, on: bool) -> None:
        """Accepted: with it on READ? would be refused; the panel's free run is not modelled."""

    @query("[SENSe:]DATA[:LATest]")
    @query("DATA[:LATest]")
    def data(self) -> str:
        """The last reading, again and again."""
        if not self.memory:
            raise ScpiError(-230)
        return self.number(self.memory[-1])

    def take(self) -> list[float]:
        self.memory = super().take()
        return self.memory

    @command("SYSTem:AZERo:STATe", Boolean())
    def zero(self, on: bool) -> None:
        self.auto_zero = on

    @query("SYSTem:AZERo:STATe")
    def zero_query(self) -> str:
        return str(int(self.auto_zero))

    @query("SYSTem:FRSWitch")
    def front(self) -> str:
        return "1"

    @query("SYSTem:LFRequency")
    def line_frequency(self) -> str:
        return f"{self.meter.probe.mistakes.mains:.0f}"

    @query("CALibration:PROTected:DATE")
    def calibrated(self) -> str:
        return "2026,3,14"


class Fluke8845A(Meter34401A):
    """Fluke 8845A: the 34401A's words with its own table; replies end CR LF on RS-232 and Ethernet."""

    identity: ClassVar[tuple[str, str]] = ("FLUKE", "8845A")
    firmware: ClassVar[str] = "08/02/10-11:53"
    table: ClassVar[Table] = TABLE_8845A
    terminator: ClassVar[str] = "\r\n"

    @query("*IDN")
    def idn(self) -> str:
        return ",".join((*self.identity, self.serial, self.firmware))


class Sdm3065X(ScpiDmm):
    """Siglent SDM3065X: ranges of 2, VOLT:DC:IMP 10M|10G."""

    identity: ClassVar[tuple[str, str]] = ("Siglent Technologies", "SDM3065X")
    firmware: ClassVar[str] = "3.01.01.10"
    table: ClassVar[Table] = TABLE_SDM3065X
    nplc_steps: ClassVar[tuple[float, ...]] = (0.005, 0.05, 0.5, 1.0, 10.0, 100.0)

    @command("[SENSe:]VOLTage[:DC]:IMPedance", Plain(("10M", "10G")))
    def input_choice(self, choice: str) -> None:
        self.meter.high_z = choice == "10G"
        self._use()

    @query("[SENSe:]VOLTage[:DC]:IMPedance")
    def input_choice_query(self) -> str:
        return "10G" if self.meter.high_z else "10M"

    @command("[SENSe:]VOLTage[:DC]:AZ[:STATe]", Boolean())
    def zero(self, on: bool) -> None:
        self.auto_zero = on

    @query("[SENSe:]VOLTage[:DC]:AZ[:STATe]")
    def zero_query(self) -> str:
        return str(int(self.auto_zero))


class Dmm6500(ScpiDmm):
    """Keithley DMM6500 in its SCPI set: SENS:FUNC chooses, SENS:COUN counts, READ? hands back the last reading only."""

    identity: ClassVar[tuple[str, str]] = ("KEITHLEY INSTRUMENTS", "MODEL DMM6500")
    firmware: ClassVar[str] = "1.7.12b"
    table: ClassVar[Table] = TABLE_DMM6500
    default_nplc: ClassVar[float] = 1.0
    nplc_steps: ClassVar[tuple[float, ...]] = (0.0005, 15.0)
    overload_text: ClassVar[str] = "9.9E+37"
    without: ClassVar[tuple[str, ...]] = ("sample_count", "sample_count_query", "trigger_count", "trigger_count_query")

    def number(self, value: float) -> str:
        return super().number(value) if abs(value) >= OVERLOAD else f"{value:.6E}"

    def written(self, values: list[float]) -> str:
        return self.number(values[-1])

    def nplc_near(self, wanted: float) -> float:
        return wanted

    @command("[SENSe:]COUNt", Number())
    def count(self, count: float | str) -> None:
        self.samples = count_within(count)

    @query("[SENSe:]COUNt")
    def count_query(self) -> str:
        return str(self.samples)

    @command("[SENSe:]VOLTage[:DC]:INPutimpedance", Word(("AUTO", "MOHM10")))
    def input_impedance(self, choice: str) -> None:
        self.meter.high_z = choice == "AUTO"
        self._use()

    @query("[SENSe:]VOLTage[:DC]:INPutimpedance")
    def input_impedance_query(self) -> str:
        return "AUTO" if self.meter.high_z else "MOHM10"

    @command("[SENSe:]VOLTage[:DC]:AZERo[:STATe]", Boolean())
    @command("[SENSe:]RESistance:AZERo[:STATe]", Boolean())
    def zero(self, on: bool) -> None:
        self.auto_zero = on

    @query("[SENSe:]VOLTage[:DC]:AZERo[:STATe]")
    @query("[SENSe:]RESistance:AZERo[:STATe]")
    def zero_query(self) -> str:
        return str(int(self.auto_zero))

    @query("SYSTem:LFRequency")
    def line_frequency(self) -> str:
        return f"{self.meter.probe.mistakes.mains:.0f}"

    @command("[SENSe:]AZERo:ONCE")
    def zero_once(self) -> None:
        """The zero is always true here."""

    @query("[SENSe:]FUNCtion[:ON]")
    def function_query(self) -> str:
        return f'"{"VOLT:DC" if self.meter.quantity == "VOLT" else self.meter.quantity}"'
