"""The board's processor as the bench sees it: it boots, prints, answers, and drives its pins.

A declaration (`TargetSpec`) says when it boots, what it prints and how it answers; `Target` plays it on a stage. The
firmware runs while its rail is above a voltage and its reset line is high; anything else releases its pins and
silences it. All quantities are SI floats.

A pin moves by the declared pin command ("pin GPIO7 high"); levels are high, low, off (released), and also up and down
for a chip's own pulls. A toggle answers "toggle PIN HZ DUTY" style commands declared with `ToggleCommand`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from wakeboard.instruments.virtual.time.stage import Event, Stage
from wakeboard.instruments.virtual.time.waves import Toggle, Waves

LEVELS = ("high", "low", "off", "up", "down")
RESET_SHARE = 0.7  # of the rail: the input-high threshold of CMOS logic (JEDEC JESD8C.01: 0.7 VDD)
SILENT_TIME = 0.002  # seconds between a command and its answer
STREAM_CHUNK = 64  # bytes: a full-speed USB packet, as a console on USB sends them
Span = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class PinCommand:
    """How the firmware is asked to move a pin. `send` holds {pin} and {level}."""

    send: str = "pin {pin} {level}"
    reply: str = "ok"


@dataclass(frozen=True, slots=True)
class ToggleCommand:
    """How the firmware is asked to toggle a pin. `send` holds {pin}, {hertz} and {percent} (share of high)."""

    send: str = "toggle {pin} {hertz} {percent}"
    reply: str = "ok"


@dataclass(frozen=True, slots=True)
class Answer:
    """One command and its answer. needs: net -> (low, high) in V; `otherwise` where a need is not met.

    measures: a net whose voltage, times `times`, is put in the reply's {volts}.
    """

    ask: str
    reply: str
    needs: Mapping[str, Span] = field(default_factory=dict)
    otherwise: str = "error"
    measures: str | None = None
    times: float = 1.0


@dataclass(frozen=True, slots=True)
class Stream:
    """A command that is answered with `size` bytes at `rate` bytes a second (the line's own speed limits it too)."""

    ask: str
    size: int
    rate: float


@dataclass(frozen=True, slots=True)
class Running:
    """A pin that toggles by itself from boot on: hertz, share of high."""

    pin: str
    hertz: float
    duty: float = 0.5


@dataclass(frozen=True, slots=True)
class TargetSpec:
    """The declared behaviour of the board's processor. `rail`, `reset`: nets; `part`: its name in the circuit."""

    part: str
    rail: str
    above: float
    reset: str | None = None
    boot_time: float = 0.1
    boot_log: tuple[str, ...] = ()
    prompt: str = "> "
    pin_command: PinCommand = field(default_factory=PinCommand)
    toggle_command: ToggleCommand = field(default_factory=ToggleCommand)
    answers: tuple[Answer, ...] = ()
    streams: tuple[Stream, ...] = ()
    boot_pins: Mapping[str, str] = field(default_factory=dict)
    running: tuple[Running, ...] = ()
    unknown: str = "unknown command"
    baud: int = 115200


class Target:
    """Plays a TargetSpec. `send` is given each piece of output as it goes onto the line."""

    def __init__(self, spec: TargetSpec, stage: Stage, waves: Waves, pins: frozenset[str]) -> None:
        """pins: the pins that the circuit's part can drive."""
        self.spec = spec
        self.stage = stage
        self.waves = waves
        self.pins = pins
        self.send: Callable[[bytes], None] = lambda data: None
        self.running = False
        self.driven: dict[str, str] = {}
        self._line = ""
        self._boot: Event | None = None
        self._pending: list[Event] = []
        self._pin_pattern = _pattern(spec.pin_command.send)
        self._toggle_pattern = _pattern(spec.toggle_command.send)
        stage.watch(self.look)

    # --- power and reset --------------------------------------------------------------------------------------------
    def awake(self) -> bool:
        """Whether the rail and the reset line allow it to run."""
        volts = self.stage.volts(self.spec.rail)
        if volts < self.spec.above:
            return False
        return self.spec.reset is None or self.stage.volts(self.spec.reset) >= RESET_SHARE * volts

    def look(self) -> None:
        """Begin to boot, or fall silent, as rail and reset ask for."""
        awake = self.awake()
        if awake and not self.running and self._boot is None:
            self._boot = self.stage.at(self.stage.now + self.spec.boot_time, self._booted)
        elif not awake and (self.running or self._boot is not None):
            self._halt()

    def _booted(self) -> None:
        self._boot = None
        if not self.awake():
            return
        self.running = True
        for pin, level in self.spec.boot_pins.items():
            self.drive(pin, level)
        for item in self.spec.running:
            self.waves.start(Toggle(f"{self.spec.part}.{item.pin}.drive", item.hertz, item.duty))
        self._say("".join(f"{line}\r\n" for line in self.spec.boot_log) + self.spec.prompt)

    def _halt(self) -> None:
        if self._boot is not None:
            self._boot.cancel()
            self._boot = None
        for event in self._pending:
            event.cancel()
        self._pending.clear()
        self.running = False
        self._line = ""
        self.waves.stop_all()
        released = {f"{self.spec.part}.{pin}.drive": "off" for pin, level in self.driven.items() if level != "off"}
        self.driven.clear()
        if released:
            self.stage.change(released)

    # --- pins -------------------------------------------------------------------------------------------------------
    def drive(self, pin: str, level: str) -> None:
        """Drive a pin high or low, release it, or switch its own pull."""
        key = f"{self.spec.part}.{pin}.drive"
        self.waves.stop(key)
        self.driven[pin] = level
        self.stage.change({key: level})

    # --- the console ------------------------------------------------------------------------------------------------
    def receive(self, data: bytes) -> None:
        """Bytes from the console; a line ends with CR or LF."""
        if not self.running:
            return
        self._line += data.decode("utf-8", "replace").replace("\r\n", "\n").replace("\r", "\n")
        *lines, self._line = self._line.split("\n")
        for line in lines:
            self._answer(line.strip())

    def _answer(self, line: str) -> None:
        stream = next((item for item in self.spec.streams if item.ask == line), None)
        if stream is not None:
            self._stream(stream)
        else:
            reply = self._reply(line) if line else ""
            text = f"{reply}\r\n{self.spec.prompt}" if reply else self.spec.prompt
            self._later(SILENT_TIME, lambda: self._say(text))

    def _reply(self, line: str) -> str:
        for answer in self.spec.answers:
            if answer.ask == line:
                return self._fill(answer)
        moved = self._pin_pattern.fullmatch(line)
        if moved is not None:
            return self._move(moved["pin"], moved["level"])
        toggled = self._toggle_pattern.fullmatch(line)
        if toggled is not None:
            return self._toggle(toggled["pin"], toggled["hertz"], toggled["percent"])
        return self.spec.unknown

    def _fill(self, answer: Answer) -> str:
        for net, (low, high) in answer.needs.items():
            volts = self.stage.volts(net)
            if (low is not None and volts < low) or (high is not None and volts > high):
                return answer.otherwise
        if answer.measures is None:
            return answer.reply
        return answer.reply.format(volts=self.stage.volts(answer.measures) * answer.times)

    def _move(self, pin: str, level: str) -> str:
        if pin not in self.pins or level not in LEVELS:
            return "bad pin" if pin not in self.pins else "bad level"
        self.drive(pin, level)
        return self.spec.pin_command.reply

    def _toggle(self, pin: str, hertz: str, percent: str) -> str:
        try:
            frequency, duty = float(hertz), float(percent) / 100
        except ValueError:
            return "bad number"
        if pin not in self.pins or not 0 < frequency <= 10e6 or not 0 < duty < 1:
            return "bad pin" if pin not in self.pins else "bad number"
        self.driven[pin] = "high"
        self.waves.start(Toggle(f"{self.spec.part}.{pin}.drive", frequency, duty))
        return self.spec.toggle_command.reply

    # --- output -----------------------------------------------------------------------------------------------------
    def _later(self, seconds: float, action: Callable[[], None]) -> None:
        self._pending = [event for event in self._pending if event.action is not None and event.time >= self.stage.now]
        self._pending.append(self.stage.at(self.stage.now + seconds, action))

    def _say(self, text: str) -> None:
        self.send(text.encode())

    def _stream(self, stream: Stream) -> None:
        """The bytes come in chunks at the stream's rate, and then the prompt."""
        rate = min(stream.rate, self.spec.baud / 10)
        payload = _payload(stream.size)
        for start in range(0, stream.size, STREAM_CHUNK):
            chunk = payload[start : start + STREAM_CHUNK]
            self._later(SILENT_TIME + (start + len(chunk)) / rate, lambda chunk=chunk: self.send(chunk))  # type: ignore[misc]
        end = SILENT_TIME + stream.size / rate + 1e-6
        self._later(end, lambda: self._say("\r\n" + self.spec.prompt))


def _payload(size: int) -> bytes:
    """Bytes that nobody takes for a prompt: hexadecimal digits in a fixed order."""
    return (b"0123456789abcdef" * (size // 16 + 1))[:size]


def _pattern(template: str) -> re.Pattern[str]:
    """A template with {names} as a regular expression with named groups."""
    pieces = re.split(r"\{(\w+)\}", template)
    return re.compile(
        "".join(re.escape(piece) if index % 2 == 0 else rf"(?P<{piece}>\S+)" for index, piece in enumerate(pieces))
    )
