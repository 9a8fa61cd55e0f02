"""Four makers' oscilloscopes. What each says is restated from the makers' guides;
commands that set channels, time base and trigger are from memory.

- Rigol DS1000Z: screen memory of 100 samples a division, preamble of ten parts, origin in codes.
- Keysight 2000X: words of 16 bits, holes are code 0, armed bit that reading clears.
- Tektronix TBS1000C: figures asked one by one, signed bytes.
- Siglent SDS1000X-E: its own language, headers unless switched off, two line feeds after the block.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

import numpy as np

from wakeboard.instruments.virtual.hardware.scope import ScopeHardware, Screen, block
from wakeboard.instruments.virtual.scpi.data import Boolean, Number, ScpiError, Word
from wakeboard.instruments.virtual.scpi.instrument import Instrument, ScpiInstrument
from wakeboard.instruments.virtual.scpi.tree import command, query
from wakeboard.instruments.virtual.time.stage import Stage

CHANNELS = tuple(f"CHANnel{n}" for n in range(1, 5))


def _text(value: float) -> str:
    return f"{value:.6e}"


class ScpiScope(ScpiInstrument):
    """What the three that speak SCPI share."""

    count: ClassVar[int] = 4
    screen: ClassVar[Screen]

    def __init__(self, stage: Stage, serial: str, nets: Mapping[int, str]) -> None:
        super().__init__(stage, serial)
        self.scope = ScopeHardware(stage, serial, nets, self.count, self.screen)
        self.reading = 1

    def channel(self, number: int | None) -> Any:
        found = self.scope.channels.get(number or 1)
        if found is None:
            raise ScpiError(-114)
        return found

    def needs_shot(self) -> None:
        if self.scope.state != "done":
            raise ScpiError(-230)


class _Common(ScpiScope):
    """CHANnel<n>, as Rigol and Keysight have it."""

    sign: ClassVar[float]

    @command("CHANnel<n>:DISPlay", Boolean())
    def display(self, number: int | None, on: bool) -> None:
        self.channel(number).shown = on

    @command("CHANnel<n>:COUPling", Word(("DC", "AC", "GND")))
    def coupling(self, number: int | None, _word: str) -> None:
        self.channel(number)

    @command("CHANnel<n>:PROBe", Number())
    def probe(self, number: int | None, ratio: float) -> None:
        self.channel(number).probe = ratio

    @command("CHANnel<n>:SCALe", Number("V"))
    def vertical(self, number: int | None, scale: float) -> None:
        self.channel(number).scale = scale

    @query("CHANnel<n>:SCALe")
    def vertical_query(self, number: int | None) -> str:
        return _text(self.channel(number).scale)

    @command("CHANnel<n>:OFFSet", Number("V"))
    def offset(self, number: int | None, volts: float) -> None:
        self.channel(number).centre = self.sign * volts

    @command("TRIGger:MODE", Word(("EDGE", "PULSe")))
    def trigger_mode(self, _word: str) -> None:
        """Edges only are modelled."""

    @command("TRIGger:EDGE:SOURce", Word(CHANNELS))
    def source(self, word: str) -> None:
        self.scope.source = int(word[-1])

    @command("TRIGger:EDGE:SLOPe", Word(("POSitive", "NEGative")))
    def slope(self, word: str) -> None:
        self.scope.rising = word == "POS"

    @command("TRIGger:EDGE:LEVel", Number("V"))
    def level(self, volts: float) -> None:
        self.scope.level = volts

    @command("SINGle")
    def single(self) -> None:
        self.scope.single()

    @command("STOP")
    def halt(self) -> None:
        self.scope.stop()

    @command("WAVeform:SOURce", Word(CHANNELS))
    def wave_source(self, word: str) -> None:
        self.reading = int(word[-1])


class RigolScope(_Common):
    identity = ("RIGOL TECHNOLOGIES", "DS1054Z")
    firmware = "00.04.04"
    sign = -1.0
    screen = Screen(across=12, high=8, per_div=25, least=0, middle=127, most=255)

    @command("CHANnel<n>:BWLimit", Word(("20M", "OFF")))
    def bandwidth(self, number: int | None, _word: str) -> None:
        self.channel(number)

    @command("TIMebase:MAIN:SCALe", Number("S"))
    def horizontal(self, scale: float) -> None:
        self.scope.time_scale = scale

    @query("TIMebase:MAIN:SCALe")
    def horizontal_query(self) -> str:
        return _text(self.scope.time_scale)

    @command("TIMebase:MAIN:OFFSet", Number("S"))
    def delay(self, seconds: float) -> None:
        self.scope.delay = seconds

    @command("TRIGger:SWEep", Word(("AUTO", "NORMal", "SINGle")))
    def sweep(self, _word: str) -> None:
        """A single shot waits for its edge whatever this says."""

    @query("TRIGger:STATus")
    def status(self) -> str:
        return {"stopped": "STOP", "filling": "RUN", "waiting": "WAIT", "triggered": "TD", "done": "STOP"}[
            self.scope.state
        ]

    @command("WAVeform:MODE", Word(("NORMal", "RAW", "MAXimum")))
    def mode(self, word: str) -> None:
        if word != "NORM":
            raise ScpiError(-221)

    @command("WAVeform:FORMat", Word(("BYTE", "WORD", "ASCii")))
    def form(self, word: str) -> None:
        if word != "BYTE":
            raise ScpiError(-221)

    @command("WAVeform:STARt", Number())
    def first(self, _place: float) -> None:
        """The whole screen is read."""

    @command("WAVeform:STOP", Number())
    def last(self, _place: float) -> None:
        """The whole screen is read."""

    @query("WAVeform:PREamble")
    def preamble(self) -> str:
        self.needs_shot()
        scope, channel = self.scope, self.channel(self.reading)
        step = channel.scale / 25
        origin = round(-channel.centre / step)
        figures = [_text(scope.time_scale / 100), _text(scope.start), "0", _text(step), str(origin), "127"]
        return ",".join(["0", "0", "1200", "1", *figures])

    @query("WAVeform:DATA")
    def data(self) -> str:
        self.needs_shot()
        scope = self.scope
        codes = scope.codes(self.reading, 1200, scope.time_scale / 100)
        return block(codes.astype("u1").tobytes(), 9)


class KeysightScope(_Common):
    identity = ("KEYSIGHT TECHNOLOGIES", "DSO-X 3034A")
    firmware = "02.50"
    sign = 1.0
    screen = Screen(across=10, high=8, per_div=32, least=1, middle=128, most=255)
    points = 1000
    _armed_told = False

    @command("CHANnel<n>:BWLimit", Boolean())
    def bandwidth(self, number: int | None, _on: bool) -> None:
        self.channel(number)

    @command("TIMebase:SCALe", Number("S"))
    def horizontal(self, scale: float) -> None:
        self.scope.time_scale = scale

    @query("TIMebase:SCALe")
    def horizontal_query(self) -> str:
        return _text(self.scope.time_scale)

    @command("TIMebase:POSition", Number("S"))
    def delay(self, seconds: float) -> None:
        self.scope.delay = seconds

    @query("AER")
    def armed(self) -> str:
        """1 once after it came to wait."""
        found = self.scope.state in ("waiting", "triggered", "done") and not self._armed_told
        self._armed_told = self._armed_told or found
        return f"+{int(found)}"

    @command("SINGle")
    def single(self) -> None:
        self._armed_told = False
        self.scope.single()

    @query("OPERegister:CONDition")
    def running(self) -> str:
        return "+8" if self.scope.state in ("filling", "waiting", "triggered") else "+0"

    @command("WAVeform:FORMat", Word(("BYTE", "WORD", "ASCii")))
    def form(self, word: str) -> None:
        if word != "WORD":
            raise ScpiError(-221)

    @command("WAVeform:BYTeorder", Word(("LSBFirst", "MSBFirst")))
    def order(self, word: str) -> None:
        if word != "LSBF":
            raise ScpiError(-221)

    @command("WAVeform:UNSigned", Boolean())
    def unsigned(self, on: bool) -> None:
        if not on:
            raise ScpiError(-221)

    @command("WAVeform:POINts:MODE", Word(("NORMal", "MAXimum", "RAW")))
    def points_mode(self, _word: str) -> None:
        """All points are there in each mode."""

    @command("WAVeform:POINts", Number())
    def wave_points(self, count: float) -> None:
        self.points = int(count)

    @query("WAVeform:PREamble")
    def preamble(self) -> str:
        self.needs_shot()
        scope, channel = self.scope, self.channel(self.reading)
        step = channel.scale * 8 / 65536
        figures = [
            _text(scope.span / self.points),
            _text(scope.start),
            "0",
            _text(step),
            _text(channel.centre),
            "32768",
        ]
        return ",".join(["1", "0", str(self.points), "1", *figures])

    @query("WAVeform:DATA")
    def data(self) -> str:
        self.needs_shot()
        codes = self.scope.codes(self.reading, self.points, self.scope.span / self.points) * 256
        return block(codes.astype("<u2").tobytes(), 8)


class TekScope(ScpiScope):
    identity = ("TEKTRONIX", "TBS1102C")
    firmware = "CF:91.1CT FV:v1.0"
    count = 2
    screen = Screen(across=15, high=8, per_div=25, least=-128, middle=0, most=127)
    record = 2000
    last = 2000
    headers = True

    @command("HEADer", Boolean())
    def header(self, on: bool) -> None:
        self.headers = on

    @command("SELect:CH<n>", Boolean())
    def select(self, number: int | None, on: bool) -> None:
        self.channel(number).shown = on

    @command("CH<n>:COUPling", Word(("DC", "AC")))
    def coupling(self, number: int | None, _word: str) -> None:
        self.channel(number)

    @command("CH<n>:PRObe:GAIN", Number())
    def probe(self, number: int | None, gain: float) -> None:
        self.channel(number).probe = 1 / gain

    @command("CH<n>:BANdwidth", Word(("TWEnty", "FULl")))
    def bandwidth(self, number: int | None, _word: str) -> None:
        self.channel(number)

    @command("CH<n>:POSition", Number())
    def position(self, number: int | None, divs: float) -> None:
        if divs:
            raise ScpiError(-221)

    @command("CH<n>:SCAle", Number("V"))
    def vertical(self, number: int | None, scale: float) -> None:
        self.channel(number).scale = scale

    @query("CH<n>:SCAle")
    def vertical_query(self, number: int | None) -> str:
        return self._named("CH1:SCALE", _text(self.channel(number).scale))

    @command("CH<n>:OFFSet", Number("V"))
    def offset(self, number: int | None, volts: float) -> None:
        self.channel(number).centre = volts

    @command("HORizontal:RECOrdlength", Number())
    def length(self, count: float) -> None:
        self.record = int(count)

    @command("HORizontal:SCAle", Number("S"))
    def horizontal(self, scale: float) -> None:
        self.scope.time_scale = scale

    @query("HORizontal:SCAle")
    def horizontal_query(self) -> str:
        return self._named("HORIZONTAL:SCALE", _text(self.scope.time_scale))

    @command("HORizontal:DELay:TIMe", Number("S"))
    def delay(self, seconds: float) -> None:
        self.scope.delay = seconds

    @command("TRIGger:A:TYPe", Word(("EDGE", "PULSe")))
    def trigger_type(self, _word: str) -> None:
        """Edges only are modelled."""

    @command("TRIGger:A:MODe", Word(("NORMal", "AUTO")))
    def trigger_mode(self, _word: str) -> None:
        """A single sequence waits for its edge."""

    @command("TRIGger:A:EDGE:SOUrce", Word(("CH1", "CH2")))
    def source(self, word: str) -> None:
        self.scope.source = int(word[-1])

    @command("TRIGger:A:EDGE:SLOpe", Word(("RISe", "FALL")))
    def slope(self, word: str) -> None:
        self.scope.rising = word == "RIS"

    @command("TRIGger:A:LEVel:CH<n>", Number("V"))
    def level(self, _number: int | None, volts: float) -> None:
        self.scope.level = volts

    @command("ACQuire:STOPAfter", Word(("SEQuence", "RUNSTop")))
    def stop_after(self, _word: str) -> None:
        """One sequence only is modelled."""

    @command("ACQuire:STATE", Word(("RUN", "STOP", "ON", "OFF")))
    def acquire(self, word: str) -> None:
        if word in ("RUN", "ON"):
            self.scope.single()
        else:
            self.scope.stop()

    @query("ACQuire:STATE")
    def acquiring(self) -> str:
        return self._named("ACQUIRE:STATE", str(int(self.scope.state in ("filling", "waiting", "triggered"))))

    @query("TRIGger:STATE")
    def trigger_state(self) -> str:
        words = {"stopped": "SAVE", "filling": "ARMED", "waiting": "READY", "triggered": "TRIGGER", "done": "SAVE"}
        return self._named("TRIGGER:STATE", words[self.scope.state])

    @command("DATa:SOUrce", Word(("CH1", "CH2")))
    def wave_source(self, word: str) -> None:
        self.reading = int(word[-1])

    @command("DATa:ENCdg", Word(("RIBinary", "RPBinary", "SRIbinary", "ASCIi")))
    def encoding(self, word: str) -> None:
        if word != "RIB":
            raise ScpiError(-221)

    @command("DATa:WIDth", Number())
    def width(self, count: float) -> None:
        if count != 1:
            raise ScpiError(-221)

    @command("DATa:STARt", Number())
    def first(self, _place: float) -> None:
        """The record is read from its first sample."""

    @command("DATa:STOP", Number())
    def last_sample(self, place: float) -> None:
        self.last = int(place)

    def _named(self, name: str, value: str) -> str:
        return f":{name} {value}" if self.headers else value

    @query("WFMOutpre:NR_Pt")
    def nr_pt(self) -> str:
        self.needs_shot()
        return self._named("WFMOUTPRE:NR_PT", str(min(self.last, self.record)))

    @query("WFMOutpre:YMUlt")
    def y_mult(self) -> str:
        self.needs_shot()
        return self._named("WFMOUTPRE:YMULT", _text(self.channel(self.reading).scale / 25))

    @query("WFMOutpre:YOFf")
    def y_off(self) -> str:
        return self._named("WFMOUTPRE:YOFF", "0.0E0")

    @query("WFMOutpre:YZEro")
    def y_zero(self) -> str:
        return self._named("WFMOUTPRE:YZERO", _text(self.channel(self.reading).centre))

    @query("WFMOutpre:XINcr")
    def x_incr(self) -> str:
        return self._named("WFMOUTPRE:XINCR", _text(self.scope.span / self.record))

    @query("WFMOutpre:XZEro")
    def x_zero(self) -> str:
        return self._named("WFMOUTPRE:XZERO", _text(self.scope.start))

    @query("WFMOutpre:PT_Off")
    def pt_off(self) -> str:
        return self._named("WFMOUTPRE:PT_OFF", "0")

    @query("CURVe")
    def curve(self) -> str:
        self.needs_shot()
        if not self.channel(self.reading).shown:
            raise ScpiError(-221, "2244")
        count = min(self.last, self.record)
        codes = self.scope.codes(self.reading, count, self.scope.span / self.record)
        return block(codes.astype("i1").tobytes())


_COMMAND = re.compile(r"\s*(?:C(?P<ch>[1-4]):)?(?P<name>[A-Z_*]+)(?P<asks>\?)?\s*(?P<rest>.*)\Z", re.IGNORECASE)
_NUMBER = re.compile(r"\s*([-+]?[\d.]+(?:E[-+]?\d+)?)\s*([A-Z/]*)", re.IGNORECASE)
_SCALES = {"": 1.0, "V": 1.0, "MV": 1e-3, "S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9}


class SiglentScope(Instrument):
    """No SCPI: what it does not understand it leaves alone, and a question that it does not understand has no reply."""

    identity: ClassVar[tuple[str, ...]] = ("Siglent Technologies", "SDS1204X-E")
    firmware: ClassVar[str] = "8.2.6.1.37R9"
    screen: ClassVar[Screen] = Screen(across=14, high=8, per_div=25, least=-128, middle=0, most=127)
    memory: ClassVar[float] = 14e6
    fastest: ClassVar[float] = 1e9

    def __init__(self, stage: Stage, serial: str, nets: Mapping[int, str]) -> None:
        super().__init__(stage)
        self.serial = serial
        self.scope = ScopeHardware(stage, serial, nets, 4, self.screen)
        self.headers = True
        self.every = 1
        self._told = 0  # bits of INR that were read since they came up

    def run(self, message: str) -> Iterator[float]:
        self.reply = None
        found = _COMMAND.match(message)
        if found is not None:
            name = found["name"].upper()
            if found["asks"]:
                self.reply = self._ask(name, found["ch"], found["rest"].strip().upper())
            else:
                self._do(name, found["ch"], found["rest"].strip().upper())
        return
        yield 0.0

    @property
    def rate(self) -> float:
        """Samples a second: as many as the memory holds."""
        return min(self.fastest, self.memory / self.scope.span)

    def _do(self, name: str, ch: str | None, rest: str) -> None:
        scope = self.scope
        channel = scope.channels[int(ch)] if ch else None
        if channel is not None and name == "VDIV":
            channel.scale = _value(rest)
        elif channel is not None and name == "OFST":
            channel.centre = -_value(rest)
        elif channel is not None and name == "TRA":
            channel.shown = rest == "ON"
        elif ch and name == "TRLV":
            scope.level = _value(rest)
        elif ch and name == "TRSL":
            scope.rising = rest == "POS"
        elif name == "CHDR":
            self.headers = rest != "OFF"
        elif name == "TDIV":
            scope.time_scale = _value(rest)
        elif name == "TRDL":
            scope.delay = _value(rest)
        elif name == "TRSE" and (source := re.search(r"SR,C([1-4])", rest)):
            scope.source = int(source[1])
        elif name == "WFSU" and (sparse := re.search(r"SP,(\d+)", rest)):
            self.every = max(1, int(sparse[1]))
        elif name == "TRMD" and rest == "SINGLE":
            self._told = 0
            scope.single()
        elif name == "STOP" or (name == "TRMD" and rest == "STOP"):
            scope.stop()

    def _ask(self, name: str, ch: str | None, rest: str) -> str | None:
        scope = self.scope
        if name == "*IDN":
            return ",".join((*self.identity, self.serial, self.firmware))
        if name == "INR":
            return self._named(name, str(self._inr()))
        if name == "TRMD":
            return self._named(name, "SINGLE" if scope.state in ("filling", "waiting", "triggered") else "STOP")
        if name == "TDIV":
            return self._named(name, f"{scope.time_scale:.2E}S")
        if name == "TRDL":
            return self._named(name, f"{scope.delay:.6E}S")
        if name == "SARA":
            return self._named(name, f"{self.rate:.6E}Sa/s")
        if ch is None:
            return None
        channel = scope.channels[int(ch)]
        if name == "VDIV":
            return self._named(f"C{ch}:VDIV", f"{channel.scale:.2E}V")
        if name == "OFST":
            return self._named(f"C{ch}:OFST", f"{-channel.centre:.4E}V")
        if name == "WF" and rest == "DAT2" and scope.state == "done":
            return self._wave(int(ch))
        return None

    def _named(self, name: str, value: str) -> str:
        """Without headers a value has no unit either."""
        return f"{name} {value}" if self.headers else re.sub(r"(?<=\d)[A-Za-z/]+\Z", "", value)

    def _inr(self) -> int:
        state, bits = self.scope.state, 0
        if state in ("waiting", "triggered", "done"):
            bits |= 1 << 13
        if state == "done":
            bits |= 1
        fresh, self._told = bits & ~self._told, self._told | bits
        return fresh

    def _wave(self, number: int) -> str:
        dt = self.every / self.rate
        codes = self.scope.codes(number, int(self.scope.span / dt), dt)
        name = f"C{number}:WF " if self.headers else ""
        return f"{name}DAT2,{block(np.asarray(codes, dtype='i1').tobytes(), 9)}\n"


def _value(text: str) -> float:
    found = _NUMBER.match(text)
    return float(found[1]) * _SCALES.get(found[2].upper(), 1.0) if found else 0.0
