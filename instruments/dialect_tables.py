"""The tables of a dialect as checked models: what a TOML file may hold. See dialect.py for what they mean together.

Templates are Python format strings over: ch (the channel as this maker writes it), n (its number), volts, amps,
seconds, range (index: its place), nplc, rate, count; of an oscilloscope scale (V or s a division), offset (V at the
screen's centre), probe (10 for 10:1), gain (0.1), delay (s of the screen's centre after the trigger), level, slope,
points, every. Each `ask` has one reply; its `reply` is a regular expression,
searched in it, whose named groups (or first group) are what is wanted.
"""

from __future__ import annotations

import re
from functools import cached_property
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from wakeboard.instruments.link.manners import Manners

NUMBER = r"(?P<value>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
SAMPLE = {
    "ch": "1",
    "n": 1,
    "volts": 1.0,
    "amps": 0.1,
    "seconds": 0.1,
    "range": 10.0,
    "index": 0,
    "nplc": 1.0,
    "rate": "S",
    "count": 1,
    "scale": 1.0,
    "offset": 0.0,
    "probe": 10.0,
    "gain": 0.1,
    "delay": 0.0,
    "level": 1.0,
    "slope": "POS",
    "points": 1000,
    "every": 1,
}


def _rendered(template: str) -> str:
    try:
        template.format(**SAMPLE)
    except (KeyError, IndexError, ValueError) as error:
        raise ValueError(f"template {template!r}: {error}; known are {', '.join(SAMPLE)}") from None
    return template


def _pattern(text: str) -> str:
    try:
        re.compile(text)
    except re.error as error:
        raise ValueError(f"pattern {text!r}: {error}") from None
    return text


def _as_list(found: object) -> object:
    return (found,) if isinstance(found, str) else found


def _as_question(found: object) -> object:
    return {"send": found} if isinstance(found, str) else found


Template = Annotated[str, AfterValidator(_rendered)]
Pattern = Annotated[str, AfterValidator(_pattern)]
Lines = Annotated[tuple[Template, ...], BeforeValidator(_as_list)]


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Asking(Table):
    """A question: what is sent, how the reply is read, its length where it has no terminator."""

    send: Template
    reply: Pattern | None = None
    length: int | None = None
    timeout: float | None = None


Question = Annotated[Asking, BeforeValidator(_as_question)]


class LinkTable(Table):
    """See link.Manners."""

    terminator: str = "\n"
    reply_terminator: str | None = None
    gap: float = Field(default=0.0, ge=0)
    reply_delay: float = Field(default=0.0, ge=0)
    compound: bool = True
    joint: str = ";:"
    checked: bool = False
    power_on: bool = False
    identify: str = "*IDN?"
    serial_opening: tuple[str, ...] = ()
    baud: int | None = None
    stop_bits: float | None = None
    flow: Literal["none", "xonxoff", "rtscts", "dtrdsr"] = "none"
    port: int | None = Field(default=None, description="TCP port of the raw socket")

    def manners(self) -> Manners:
        return Manners(**self.model_dump(exclude={"port"}))


class Accuracy(Table):
    """Half-width = reading·|value| + span·range + fixed, of one range (None: any). ohms: added for two wires."""

    range: float | None = None
    reading: float = 0.0
    span: float = 0.0
    fixed: float = 0.0

    def half_width(self, value: float, of: float) -> float:
        return self.reading * abs(value) + self.span * abs(of) + self.fixed


class Base(Table):
    """What all kinds share."""

    name: str = ""
    kind: Literal["psu", "dmm", "scanner", "scope"]
    title: str
    idn: tuple[Pattern, ...] = ()
    documents: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = Field((), description="told to the person before energising")
    unverified: tuple[str, ...] = ()
    sources: dict[str, str] = Field(default_factory=dict)
    link: LinkTable = LinkTable()
    error: Question | None = Field(None, description="takes the next entry from the error queue")
    held: Question | None = Field(None, description="group `other`: another interface holds the instrument's own lock")
    mistake: str = Field(default="WAKE:NOSUCH 1", description="a command that must leave an entry in the error queue")

    def doubted(self, key: str) -> bool:
        """Whether `key`, or the table that it stands in, is unverified."""
        return any(key == each or key.startswith(each + ".") for each in self.unverified)

    def any_doubt(self, key: str) -> bool:
        """Whether `key` or anything in it is unverified."""
        return self.doubted(key) or any(each.startswith(key + ".") for each in self.unverified)

    def source(self, key: str) -> str:
        """The source mark of `key`: its own, or of the nearest table above it."""
        while key:
            if key in self.sources:
                return self.sources[key]
            key = key.rpartition(".")[0]
        return self.sources.get("all", "")


# --- supplies --------------------------------------------------------------------------------------------------------
class Channel(Table):
    """An output. say: as this maker writes it in commands; what is None is asked of the instrument, if it can tell."""

    say: str = ""
    volts: float | None = None
    amps: float | None = None
    volts_step: float | None = None
    amps_step: float | None = None
    least_volts: float = 0.0


class Model(Table):
    """Models of a family whose outputs differ. idn: searched in the whole *IDN? reply."""

    idn: Pattern
    channels: dict[str, Channel]
    volts: Accuracy | None = None
    amps: Accuracy | None = None


class Say(Table):
    """Commands. `level` stands where ocp has its own level ({amps}); all_off switches every output off."""

    select: Template | None = None
    volts: Lines
    amps: Lines
    on: Lines
    off: Lines
    all_off: Lines = ()
    ovp: Lines = ()
    ovp_off: Lines = ()
    ocp: Lines = ()
    ocp_off: Lines = ()
    ocp_delay: Lines = ()
    clear: Lines = ()


class Ask(Table):
    """Questions. measured: one reply with groups volts and amps, instead of two; on: all of these must be true;
    selected: the number of the output selected now, where selecting and asking are messages of their own."""

    selected: Question | None = None
    volts: Question | None = None
    amps: Question | None = None
    measured_volts: Question | None = None
    measured_amps: Question | None = None
    measured: Question | None = None
    on: tuple[Question, ...] = ()
    ovp: Question | None = None
    ovp_on: Question | None = None
    ocp: Question | None = None
    ocp_on: Question | None = None
    ocp_delay: Question | None = None
    most_ocp_delay: Question | None = None
    ovp_tripped: Question | None = None
    ocp_tripped: Question | None = None
    most_volts: Question | None = None
    most_amps: Question | None = None


class Register(Table):
    """A status register or word. form: number ("+3", "0x0224"), byte (one raw byte), digits ("0100…": text), word."""

    send: Template
    form: Literal["number", "byte", "digits", "word"] = "number"
    reply: Pattern | None = None
    length: int | None = None
    latched: bool = Field(False, description="reading clears it: bits are kept until the trip is cleared")
    polled: bool = Field(True, description="part of every sample")

    @cached_property
    def asking(self) -> Asking:
        """The question for it."""
        return Asking(send=self.send, reply=self.reply, length=self.length)


FlagName = Literal["cc", "cv", "on", "ovp", "ocp", "other", "unregulated"]
_FLAG = re.compile(r"!?(\w+)(?:\.(\d+)|=(.+))\Z")


def _flag(text: str) -> str:
    if not _FLAG.match(text):
        raise ValueError(f"{text!r} is not a flag, such as ques.0, !ques.0 or mode=CC")
    return text


Flag = Annotated[str, AfterValidator(_flag)]


class Status(Table):
    """What the bits mean, by channel where they differ.

    "ques.1" is bit 1 of the register ques, "!ques.1" its opposite, "mode=CC" a word that a register answers.
    """

    registers: dict[str, Register] = Field(default_factory=dict)
    flags: dict[FlagName, Flag] = Field(default_factory=dict)
    channels: dict[str, dict[FlagName, Flag]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _registers_known(self) -> Status:
        for flag in [*self.flags.values(), *(each for table in self.channels.values() for each in table.values())]:
            match = _FLAG.match(flag)
            if match is None or match[1] not in self.registers:
                raise ValueError(f"flag {flag!r} names no register; there are {', '.join(self.registers) or 'none'}")
        return self

    def of(self, channel: str) -> dict[str, str]:
        """Flag -> expression for a channel."""
        return {str(flag): each for flag, each in [*self.flags.items(), *self.channels.get(channel, {}).items()]}


class Can(Table):
    """What the supply can and cannot do; what it cannot is told before energising.

    outputs: whether each output has its own switch; ocp: own level, trips on entering current limit, or none;
    trip_is: how a trip shows; most_ocp_delay: s, where it cannot be asked for it; clear_restores: whether clearing a
    trip may switch the output back on ("unknown" is treated as yes); floor: amps below which the readback says little.
    """

    outputs: Literal["each", "together"] = "each"
    ovp: bool = True
    ocp: Literal["level", "on limit", "none"] = "level"
    most_ocp_delay: float | None = None
    clear_restores: Literal["yes", "no", "unknown"] = "unknown"
    floor: float = 0.010
    master: bool = Field(default=False, description="a master switch brings on whatever is armed")


class PsuDialect(Base):
    kind: Literal["psu"]
    say: Say
    ask: Ask
    status: Status = Status()
    can: Can = Can()
    channels: dict[str, Channel]
    models: tuple[Model, ...] = ()
    volts: Accuracy = Accuracy(reading=0.001, fixed=0.020)
    amps: Accuracy = Accuracy(reading=0.003, fixed=0.010)
    settle: float | None = Field(
        None, ge=0, description="s from a command to the output having moved, no load; none: no figure is known"
    )

    def model_of(self, identity: str) -> Model | None:
        return next((each for each in self.models if re.search(each.idn, identity)), None)


# --- meters ----------------------------------------------------------------------------------------------------------
class Quantity(Table):
    """How one quantity is measured. setup is said when anything changed, then nplc and the like; read each time.

    auto: instead of setup, without a range. function: pattern that the reply to the dialect's `function` question has
    while this quantity is measured. accuracy: rows by range, one year, within the warm-up's conditions.
    """

    setup: Lines
    auto: Lines = ()
    nplc: Lines = ()
    read: Question
    range: Question | None = None
    function: Pattern | None = None
    ranges: tuple[float, ...] = ()
    over: float = Field(default=1.2, description="a range reads up to this times its name")
    accuracy: tuple[Accuracy, ...] = ()
    resolution: float = Field(default=0.0, description="smallest step, as a part of the range, at the default nplc")
    added: dict[str, Accuracy] = Field(default_factory=dict, description="by NPLC: what a short integration adds")
    leads: float = Field(default=0.0, description="ohms added for two wires without zero")
    amps: tuple[float, ...] = Field(default=(), description="ohms, diode: test current, by range")
    open_volts: float | None = Field(default=None, description="ohms, diode: what an open circuit may see, at most")


QuantityName = Literal["dc volts", "ac volts", "frequency", "ohms", "ohms 4w", "diode volts", "current"]


class DmmDialect(Base):
    kind: Literal["dmm"]
    quantities: dict[QuantityName, Quantity]
    function: Question | None = None
    high_z: Lines = ()
    low_z: Lines = ()
    high_z_ranges: tuple[float, ...] = Field(default=(), description="where > 10 GΩ can be had; 10 MΩ elsewhere")
    always_high_z: bool = Field(default=False, description="those ranges are > 10 GΩ whatever is said")
    count: Lines = ()
    returns_last: bool = Field(default=False, description="several readings asked, one returned")
    periods: dict[str, float] = Field(
        default_factory=dict,
        description="NPLC -> s; a reading is the latest of a free-running display with this period",
    )
    nplc: tuple[float, ...] = ()
    default_nplc: float = 10.0
    rate_words: dict[str, str] = Field(default_factory=dict, description="NPLC -> the word for that rate, {rate}")
    overload: float = 9.9e37
    warm_up: float = Field(default=3600.0, description="s until the accuracy holds")
    terminals: Question | None = None
    calibrated: Question | None = None
    input: Question | None = Field(None, description="true: the input is above 10 GΩ")
    mains: Question | None = Field(None, description="the mains frequency that it integrates over, Hz")


# --- scanners --------------------------------------------------------------------------------------------------------
class ScannerDialect(Base):
    kind: Literal["scanner"]
    close: Lines
    open: Lines
    open_all: Lines = Field(default=(), description="none: the channels closed here are opened as a list")
    only: Lines = ()
    state: Question | None = Field(None, description="1 or 0 for a channel")
    closed: Question | None = Field(None, description="the list of closed channels")
    count: Question | None = None
    most_volts: Question | None = None
    before: Lines = Field((), description="said once: frees channels for switching by hand")
    one_at_a_time: bool = False
    settle: float = Field(0.02, ge=0, description="s from the command to a quiet contact")
    life: float = Field(1e5, description="operations at rated load, the worst of the makers' figures")
    rated_volts: float | None = None
    rated_amps: float | None = None
    hot_amps: float = Field(default=0.010, description="a relay is moved under less: 34970A guide p321, low level")
    contact: float = Field(1.0, description="ohms of a good path")


# --- oscilloscopes ---------------------------------------------------------------------------------------------------
class Term(Asking):
    """A part of a figure: what the reply gives (inverse: one over it) times a constant (each: times the samples that
    one which is sent stands for)."""

    times: float = 1.0
    inverse: bool = False
    each: bool = False


class Sign(Asking):
    """A question whose answer is yes or no: `reply` fits, or a bit of a number is set (unset: is not)."""

    bit: int | None = Field(None, ge=0, le=31)
    unset: bool = False


def _as_terms(found: object) -> object:
    members = found if isinstance(found, list | tuple) else (found,)
    return tuple({"send": each} if isinstance(each, str) else each for each in members)


Figure = Annotated[tuple[Term, ...], BeforeValidator(_as_terms)]
FigureName = Literal["xinc", "xorg", "xref", "yinc", "yorg", "yref", "points"]


class WaveTable(Table):
    """How a waveform is read. preamble: one reply whose parts are `fields`; figures: asked one by one, each the sum of
    its terms. volts = (code - yref)·yinc + yorg, or with origin "steps" (code - yref - yorg)·yinc; s after the trigger
    = xorg + (sample - xref)·xinc. least, most: codes at the edges of the screen, which mean no volts; hole: a code
    that means no sample; grain: codes from one that the converter has to the next. tail: what follows the block."""

    before: Lines = ()
    preamble: Question | None = None
    fields: tuple[str, ...] = ()
    figures: dict[FigureName, Figure] = Field(default_factory=dict)
    data: Template
    tail: str = "\n"
    form: Literal["u8", "i8", "u16", "i16"]
    high_first: bool = False
    origin: Literal["volts", "steps"] = "volts"
    least: int
    most: int
    hole: int | None = None
    grain: int = 1


class ScopeDialect(Base):
    """screen_centre: -1 where the instrument's offset is what is added to the volts, 1 where it is the centre itself;
    gain: half-width of volts as a share of the screen's whole height; offset_divs, offset_share, offset_volts: of the
    offset."""

    kind: Literal["scope"]
    channels: int = Field(ge=1, le=8)
    across: int = Field(description="divisions of the screen, side to side")
    high: int = Field(description="divisions of the screen, top to bottom")
    least_scale: float = Field(0.001, description="V a division at the instrument, the finest that is used")
    most_scale: float = Field(5.0, description="V a division at the instrument, the widest that is used")
    screen_centre: Literal[-1, 1] = 1
    points: int = Field(1000, description="samples that are asked for")
    rising: str = "POS"
    once: Lines = ()
    show: Lines
    hide: Lines
    time: Lines
    trigger: Lines
    stop: Lines
    before_single: Question | None = Field(None, description="asked before a shot: reading it clears it")
    single: Lines
    armed: Sign = Field(description="yes once the instrument waits for its trigger")
    done: Sign = Field(description="yes once the shot is whole")
    scale: Question
    time_scale: Question
    rate: Question | None = Field(None, description="samples a second, to choose how many are left out")
    wave: WaveTable
    gain: float = 0.03
    offset_divs: float = 0.1
    offset_share: float = 0.01
    offset_volts: float = 0.002
    ppm: float = 50.0
    probe_share: float = Field(0.02, description="of the probe's own ratio")
