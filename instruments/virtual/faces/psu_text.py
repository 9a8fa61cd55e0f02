"""Supplies that do not speak SCPI: Korad's bytes without an end, GW Instek GPD's words, Aim-TTi's short commands.

Sources: RND 320-KA syntax V3.0 (commands, status byte), TENMA 72-2685 p5
(50 ms); GPD-3303 User Manual p37-42; Aim-TTi MX180T p35, QPX600D p27-30, CPX200D p28, CPX400D p25, Sorensen XDL II p38.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import ClassVar

from wakeboard.instruments.virtual.hardware.psu import Accuracy, Output, Rating, Supply, Wired
from wakeboard.instruments.virtual.scpi.data import ScpiError
from wakeboard.instruments.virtual.scpi.instrument import Instrument
from wakeboard.instruments.virtual.time.stage import Stage


class TextPsu(Instrument):
    """A supply with a table of regular expressions for its commands."""

    ratings: ClassVar[tuple[Rating, ...]] = ()
    table: ClassVar[list[tuple[re.Pattern[str], str]]] = []

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage)
        self.serial = serial
        self.supply = Supply(stage, serial, ratings or self.ratings, wiring)
        for output in self.supply.outputs:
            output.settings.ocp_delay = 0.0

    @property
    def unfinished(self) -> float:
        return self.supply.unfinished

    def run(self, message: str) -> Iterator[float]:
        self.reply = self.handle(message.strip())
        return
        yield  # nothing here takes time

    def handle(self, message: str) -> str | None:
        """Run one message; its reply, if it has one."""
        for pattern, name in self.table:
            found = pattern.fullmatch(message)
            if found is not None:
                method: Callable[..., str | None] = getattr(self, name)
                return method(*found.groups())
        return self.unknown(message)

    def unknown(self, message: str) -> str | None:
        """A message that the instrument does not know."""
        return None


def _table(**patterns: str) -> list[tuple[re.Pattern[str], str]]:
    return [(re.compile(pattern, re.IGNORECASE), name) for name, pattern in patterns.items()]


class Korad(TextPsu):
    """Korad KA3005P as sold by RND: no terminators in either direction; OVP and OCP act at the set points.

    Status byte: bit 0 CV (0: CC, only while on), 4 beep, 5 OCP enabled, 6 output on, 7 OVP enabled; never a trip.
    """

    terminator: ClassVar[str] = ""
    gap: float = 0.02
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(
            30.0,
            5.0,
            0.01,
            0.001,
            over=31 / 30,
            program_volts=Accuracy(0.005, 0.02),
            program_amps=Accuracy(0.005, 0.010),
            read_volts=Accuracy(0.005, 0.02),
            read_amps=Accuracy(0.005, 0.010),
            ocp="cc",
        ),
    )
    table = _table(
        idn=r"\*IDN\?",
        set_volts=r"VSET1:(\d+\.?\d*)",
        set_amps=r"ISET1:(\d+\.?\d*)",
        volts=r"VSET1\?",
        amps=r"ISET1\?",
        measured_volts=r"VOUT1\?",
        measured_amps=r"IOUT1\?",
        switch=r"OUT([01])",
        ovp=r"OVP([01])",
        ocp=r"OCP([01])",
        status=r"STATUS\?",
        ignored=r"(?:BEEP|LOCK)[01]|(?:RCL|SAV)[1-5]",
    )
    _WHOLE = re.compile(
        r"\*IDN\?|STATUS\?|[VI]SET1\?|[VI]OUT1\?|[VI]SET1:\d+\.?\d*|(?:OUT|OVP|OCP|BEEP|LOCK)[01]|(?:RCL|SAV)[1-5]",
        re.IGNORECASE,
    )

    def cut(self, buffer: bytearray) -> list[str]:
        """Commands have no end: what comes in one piece is one or more commands."""
        text = buffer.decode("latin-1").lstrip("\r\n")
        messages: list[str] = []
        while (found := self._WHOLE.match(text)) is not None:
            messages.append(found[0])
            text = text[found.end() :].lstrip("\r\n")
        buffer[:] = b"" if len(text) > 16 else text.encode("latin-1")
        return messages

    @property
    def output(self) -> Output:
        return self.supply.outputs[0]

    def idn(self) -> str:
        return "RND 320-KA3005P V1.3"

    def set_volts(self, volts: str) -> None:
        _quietly(lambda: self.output.set_volts(float(volts)))
        self.output.settings.ovp = self.output.settings.volts * 1.005 + 0.1

    def set_amps(self, amps: str) -> None:
        _quietly(lambda: self.output.set_amps(float(amps)))

    def volts(self) -> str:
        return f"{self.output.settings.volts:05.2f}"

    def amps(self) -> str:
        return f"{self.output.settings.amps:.3f}"

    def measured_volts(self) -> str:
        return f"{max(0.0, self.output.read_volts()):05.2f}"

    def measured_amps(self) -> str:
        return f"{self.output.read_amps():.3f}"

    def switch(self, on: str) -> None:
        if on == "1":
            self.output.clear(False)
        self.output.switch(on == "1")

    def ovp(self, on: str) -> None:
        self.output.settings.ovp_on = on == "1"

    def ocp(self, on: str) -> None:
        self.output.settings.ocp_on = on == "1"
        self.output.check()

    def ignored(self) -> None:
        """Beeper, panel lock and memories change no output."""

    def status(self) -> str:
        output, settings = self.output, self.output.settings
        byte = output.mode == "cv"
        return chr(byte | 0x10 | settings.ocp_on << 5 | output.on << 6 | settings.ovp_on << 7)


class Gpd3303(TextPsu):
    """GW Instek GPD-3303S: VSET1:5, IOUT1?, one OUT for all; STATUS? of eight characters; errors as plain text."""

    gap: float = 0.04
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(30.0, 3.0, over=32 / 30, ovp="none", ocp="none", read_amps=Accuracy(0.003, 0.010)),
    ) * 2
    table = _table(
        idn=r"\*IDN\?",
        set_volts=r"VSET([12]):(\d+\.?\d*)",
        set_amps=r"ISET([12]):(\d+\.?\d*)",
        volts=r"VSET([12])\?",
        amps=r"ISET([12])\?",
        measured_volts=r"VOUT([12])\?",
        measured_amps=r"IOUT([12])\?",
        switch=r"OUT([01])",
        status=r"STATUS\?",
        error=r"ERR\?",
        ignored=r"BEEP[01]|TRACK0|REMOTE|LOCAL|BAUD[0-2]|(?:RCL|SAV)[1-4]",
    )

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self.last_error = "No Error."

    def idn(self) -> str:
        return f"GW INSTEK,GPD-3303S,SN:{self.serial},V2.00"

    def _try(self, action: Callable[[], None]) -> None:
        try:
            action()
        except ScpiError:
            self.last_error = "Data out of range."

    def set_volts(self, number: str, volts: str) -> None:
        self._try(lambda: self.supply[int(number)].set_volts(float(volts)))

    def set_amps(self, number: str, amps: str) -> None:
        self._try(lambda: self.supply[int(number)].set_amps(float(amps)))

    def volts(self, number: str) -> str:
        return f"{self.supply[int(number)].settings.volts:.3f}V"

    def amps(self, number: str) -> str:
        return f"{self.supply[int(number)].settings.amps:.3f}A"

    def measured_volts(self, number: str) -> str:
        return f"{self.supply[int(number)].read_volts():.3f}V"

    def measured_amps(self, number: str) -> str:
        return f"{self.supply[int(number)].read_amps():.3f}A"

    def switch(self, on: str) -> None:
        for output in self.supply.outputs:
            output.switch(on == "1")

    def status(self) -> str:
        """Item 0 stands first: CH1, CH2 (1: CV), tracking 01 (independent), beep, speed, output, unused."""
        first, second = (int(output.mode != "cc") for output in self.supply.outputs)
        return f"{first}{second}0110{int(any(output.on for output in self.supply.outputs))}0"

    def error(self) -> str:
        said, self.last_error = self.last_error, "No Error."
        return said

    def ignored(self) -> None:
        """Beeper, tracking off, speed and memories change no output."""

    def unknown(self, message: str) -> None:
        if message:
            self.last_error = "Invalid Character." if re.search(r"[^\w?:.*]", message) else "Undefined Header."


class AimTti(TextPsu):
    """Aim-TTi MX100TP style: V1 5, I1 0.1, OP1 1, V1O?, OVP1 6; LSR1? latches what was entered and clears on reading.

    Execution errors leave a number in EER? (100 too high, 102 too low); there is no queue of texts. IFLOCK: what
    another client would change is refused, as 200 (from memory; the manual's page says "exclusive access"). The lock
    stays when its client goes: whether a real one lets go then is not known, and this is the worse case.
    """

    terminator: ClassVar[str] = "\r\n"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating(35.0, 3.0, over=1.0, read_volts=Accuracy(0.001, 0.004), read_amps=Accuracy(0.003, 0.003)),
    ) * 3
    table = _table(
        idn=r"\*IDN\?",
        reset=r"\*RST",
        clear_status=r"\*CLS",
        complete=r"\*OPC\?",
        event_status=r"\*ESR\?",
        status_byte=r"\*STB\?",
        set_volts=r"V([1-3])V?\s+(\S+)",
        volts=r"V([1-3])\?",
        set_amps=r"I([1-3])\s+(\S+)",
        amps=r"I([1-3])\?",
        measured_volts=r"V([1-3])O\?",
        measured_amps=r"I([1-3])O\?",
        switch=r"OP([1-3])\s+([01])",
        switched=r"OP([1-3])\?",
        switch_all=r"OPALL\s+([01])",
        ovp=r"OVP([1-3])\s+(\S+)",
        ovp_query=r"OVP([1-3])\?",
        ocp=r"OCP([1-3])\s+(\S+)",
        ocp_query=r"OCP([1-3])\?",
        limit_status=r"LSR([1-3])\?",
        reset_trips=r"TRIPRST",
        execution_error=r"EER\?",
        query_error=r"QER\?",
        lock=r"IFLOCK",
        locked=r"IFLOCK\?",
        unlock=r"IFUNLOCK",
        ignored=r"LOCAL|\*WAI|CONFIG\s+\d|TRIPCONFIG\s+[01]",
    )
    _CHANGES = re.compile(r"(?:V|I|OP|OVP|OCP)[1-3]V?\s|OPALL\s|TRIPRST|\*RST", re.IGNORECASE)

    def __init__(self, stage: Stage, serial: str, wiring: dict[int, Wired], ratings: tuple[Rating, ...] = ()) -> None:
        super().__init__(stage, serial, wiring, ratings)
        self.latched = [0] * len(self.supply.outputs)
        self._seen: list[tuple[str, str | None]] = [("off", None)] * len(self.supply.outputs)
        self.execution_error_number = 0
        self.events = 128
        self.holder: object = None
        for output in self.supply.outputs:
            output.settings.ovp_on = output.settings.ocp_on = True
        stage.watch(self._latch)

    def _latch(self) -> None:
        """Note each entry into a mode or a trip."""
        bits = {"cv": 1, "cc": 2, "ovp": 8, "ocp": 16}
        for index, output in enumerate(self.supply.outputs):
            now = (output.mode, output.tripped)
            for new, old in zip(now, self._seen[index], strict=True):
                if new != old and new in bits:
                    self.latched[index] |= bits[new]
            self._seen[index] = now

    def _try(self, action: Callable[[], None]) -> None:
        try:
            action()
        except ScpiError:
            self.execution_error_number = 100
            self.events |= 16
        except ValueError:
            self.events |= 32

    def idn(self) -> str:
        return f"THURLBY THANDAR, MX100TP, {self.serial}, 1.03-1.00-1.02"

    def reset(self) -> None:
        self.supply.reset()
        for output in self.supply.outputs:
            output.settings.ovp_on = output.settings.ocp_on = True
            output.settings.ocp_delay = 0.0

    def clear_status(self) -> None:
        self.events = self.execution_error_number = 0

    def complete(self) -> str:
        return "1"

    def event_status(self) -> str:
        events, self.events = self.events, 0
        return str(events)

    def status_byte(self) -> str:
        return str(sum(1 << index for index, latched in enumerate(self.latched[:2]) if latched))

    def set_volts(self, number: str, volts: str) -> None:
        self._try(lambda: self.supply[int(number)].set_volts(float(volts)))

    def volts(self, number: str) -> str:
        return f"V{number} {self.supply[int(number)].settings.volts:.3f}"

    def set_amps(self, number: str, amps: str) -> None:
        self._try(lambda: self.supply[int(number)].set_amps(float(amps)))

    def amps(self, number: str) -> str:
        return f"I{number} {self.supply[int(number)].settings.amps:.4f}"

    def measured_volts(self, number: str) -> str:
        return f"{self.supply[int(number)].read_volts():.3f}V"

    def measured_amps(self, number: str) -> str:
        return f"{self.supply[int(number)].read_amps():.4f}A"

    def switch(self, number: str, on: str) -> None:
        self._try(lambda: self.supply[int(number)].switch(on == "1"))
        self._latch()

    def switched(self, number: str) -> str:
        return str(int(self.supply[int(number)].on))

    def switch_all(self, on: str) -> None:
        for output in self.supply.outputs:
            self._try(lambda output=output: output.switch(on == "1"))  # type: ignore[misc]
        self._latch()

    def ovp(self, number: str, level: str) -> None:
        settings = self.supply[int(number)].settings
        if level.upper() in ("ON", "OFF"):
            settings.ovp_on = level.upper() == "ON"
        else:
            self._try(lambda: self.supply[int(number)].set_ovp(float(level)))
            settings.ovp_on = True

    def ovp_query(self, number: str) -> str:
        settings = self.supply[int(number)].settings
        return f"VP{number} {settings.ovp:.2f}" if settings.ovp_on else f"VP{number} OFF"

    def ocp(self, number: str, level: str) -> None:
        settings = self.supply[int(number)].settings
        if level.upper() in ("ON", "OFF"):
            settings.ocp_on = level.upper() == "ON"
        else:
            self._try(lambda: self.supply[int(number)].set_ocp(float(level)))
            settings.ocp_on = True

    def ocp_query(self, number: str) -> str:
        settings = self.supply[int(number)].settings
        return f"CP{number} {settings.ocp:.3f}" if settings.ocp_on else f"CP{number} OFF"

    def limit_status(self, number: str) -> str:
        self._latch()
        latched, self.latched[int(number) - 1] = self.latched[int(number) - 1], 0
        return str(latched)

    def reset_trips(self) -> None:
        for output in self.supply.outputs:
            output.clear(False)

    def execution_error(self) -> str:
        number, self.execution_error_number = self.execution_error_number, 0
        return str(number)

    def query_error(self) -> str:
        return "0"

    def handle(self, message: str) -> str | None:
        if self._elsewhere and self._CHANGES.match(message):
            self.execution_error_number = 200
            self.events |= 16
            return None
        return super().handle(message)

    @property
    def _elsewhere(self) -> bool:
        """Whether another client than the one that asks holds the lock."""
        return self.holder is not None and self.holder is not self.asker

    def lock(self) -> str:
        if self._elsewhere:
            return "-1"
        self.holder = self.asker
        return "1"

    def locked(self) -> str:
        return "-1" if self._elsewhere else str(int(self.holder is not None))

    def unlock(self) -> str:
        if self._elsewhere:
            return "-1"
        self.holder = None
        return "0"

    def ignored(self) -> None:
        """The panel, and configurations that change nothing here."""

    def unknown(self, message: str) -> None:
        if message:
            self.events |= 32


def _quietly(action: Callable[[], None]) -> None:
    """This maker has no way to say that a value is out of range."""
    try:
        action()
    except ScpiError:
        return
