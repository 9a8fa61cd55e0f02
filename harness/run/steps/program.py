"""Run a program of the computer, such as one that flashes the firmware; what it prints becomes readings with limits.

    argv = ["./flash.sh", "{port}", "firmware.bin"]
    flashes = "firmware.bin"
    timeout = "60 s"
    readings = { rate = { pattern = 'at ([\\d.]+) kB/s', unit = "kB/s", expect = "> 20 kB/s" } }

argv is a list and no shell reads it. Names in braces are filled in from board, bench and unit; `{{` is a brace. The
program runs in the folder of the sequence's file. The guard watches the power meanwhile; the program is killed with its
children when it is over, when its time is, on a trip and on Ctrl-C. Another exit code than `exit` fails.

A sequence may be borrowed: a command line is run only after a person has agreed to it, once for each version of it and
of the files beside the sequence that it names (what it flashes may change).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from wakeboard.harness.describe import own
from wakeboard.harness.describe.problems import nearest, one_of, quoted
from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import OneOrMore, Pattern, Seconds, Table, as_tuple, refused
from wakeboard.harness.run.decide import OPEN, Limits, decide
from wakeboard.harness.run.errors import NoAnswer, Refused
from wakeboard.harness.run.programs.beside import Output, Program
from wakeboard.instruments.errors import BenchError
from wakeboard.instruments.patterns import PatternTooSlow, compiled, search
from wakeboard.instruments.quantity import QuantityError, parse, parse_interval
from wakeboard.results.told import ProgramTold
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.describe.sequence.paper import Paper
    from wakeboard.harness.run.context import Context

KIND = "program"
NEEDS = Needs(power="either")
STOPS = True
TELLS = (ProgramTold,)

SLICE: Final = 0.05  # s between two beats
CHUNK: Final = 1 << 20  # bytes of a program's output at a time
UNITS: Final = ("V", "A", "Ω", "F", "H", "W", "J", "Hz", "s", "B/s", "B", "bit/s")
"""Units that take a prefix; a reading is kept in these. Any other text is taken as it stands."""
_BRACES: Final = re.compile(r"\{\{|\}\}|\{([^{}]*)\}")
_PLAIN_PATH: Final = (".", "..")


class Wanted(Table):
    """pattern: its group `value`, its first group or all of it is a number; unit: what it is in; expect: its limits."""

    pattern: Pattern = Field(min_length=1, description="a regular expression")
    unit: str = ""
    expect: Any = None

    @model_validator(mode="after")
    def _limits(self) -> Wanted:
        try:
            _ = self.limits
        except QuantityError as error:
            raise refused(error.found, error.allowed) from None
        return self

    @property
    def base(self) -> str:
        """The unit that the reading is kept in; "" for one that takes no prefix."""
        return next((base for base in UNITS if _reads(f"1 {self.unit}", base)), "")

    @property
    def limits(self) -> Limits:
        """Raises QuantityError."""
        if self.expect is None:
            return OPEN
        found = parse_interval(self.expect, self.base)
        return Limits(found.low, found.high, "step")

    def number(self, text: str) -> float | None:
        """What was printed, in the unit that the reading is kept in."""
        told = text.strip().replace(",", ".") if text.count(",") == 1 and "." not in text else text.strip()
        try:
            return parse(f"{told} {self.unit}" if self.base else told, self.base)
        except QuantityError:
            return None


def _reads(text: str, unit: str) -> bool:
    try:
        parse(text, unit)
    except QuantityError:
        return False
    return True


def _argv(found: object) -> Any:
    words = as_tuple(found)
    if not isinstance(words, tuple) or not words or not all(isinstance(word, str) for word in words) or not words[0]:
        raise refused(quoted(found), 'a list, the program first, such as ["./flash.sh", "{port}"]; no shell reads it')
    if any("\0" in word for word in words):
        raise refused(quoted(found), "text without a NUL character")
    return words


class Model(StepModel):
    """argv: the program and its arguments; flashes: the files that it writes into the board; exit: the code that
    passes; readings: what is looked for in its output, by name."""

    do: Literal["program"]
    argv: Annotated[tuple[str, ...], BeforeValidator(_argv)] = Field(description="the program and its arguments")
    flashes: OneOrMore = ()
    timeout: Seconds = 60.0
    exit: int = 0
    readings: dict[str, Wanted] = Field(default_factory=dict)

    @field_validator("timeout")
    @classmethod
    def _timeout(cls, seconds: float) -> float:
        if seconds <= 0:
            raise refused(f"{seconds:g} s", "longer than 0 s")
        return seconds

    @property
    def title(self) -> str:
        return self.name or f"{self.do}: {os.path.basename(self.argv[0])}"


# --- names in braces --------------------------------------------------------------------------------------------------
def _names(board: Board) -> list[str]:
    """What a step of this board may have in braces; a bench file's [volumes] come to it."""
    plain = ["unit", "board", "revision", "folder", "python"]
    links = [f"{what}.{link}" for link in board.links for what in ("port", "baud")]
    return [*plain, *(["port", "baud"] if board.links else []), *links]


def _asked(template: str) -> Iterator[str]:
    for found in _BRACES.finditer(template):
        if found[1] is not None:
            yield found[1]


def on_paper(paper: Paper, table: Mapping[str, object]) -> None:
    for key in ("argv", "flashes"):
        found = table.get(key)
        for index, word in enumerate(found if isinstance(found, list) else [found]):
            _on_paper(paper, key, word, index if isinstance(found, list) else None)


def _on_paper(paper: Paper, key: str, word: object, index: int | None) -> None:
    known = _names(paper.board)
    for name in _asked(word) if isinstance(word, str) else ():
        if name not in known and not name.startswith("volume."):
            allowed = f"{one_of([*known, 'volume.NAME'], 20)}; {{{{ and }}}} for braces"
            paper.problem(key, f'the name "{name}" in braces', allowed, nearest(name, known), index=index)


def _value(context: Context, name: str) -> str:
    """What stands for a name. Raises BenchError where this bench has nothing for it."""
    what, _, of = name.partition(".")
    if what in ("port", "baud"):
        port, baud = _port(context, of or _link(context.board))
        return port if what == "port" else str(baud)
    if what == "volume":
        if of not in context.bench.volumes:
            raise BenchError(f'the bench file has no volume "{of}" in [volumes]')
        return context.bench.volumes[of]
    head = context.board
    plain = {"unit": context.unit, "board": head.name, "revision": head.revision, "folder": context.folder}
    return {**plain, "python": sys.executable}[name]


def _link(board: Board) -> str:
    return board.target.link if board.target else next(iter(board.links))


def _port(context: Context, link: str) -> tuple[str, int]:
    if link not in context.bench.ports:
        raise BenchError(f'the bench has no link "{link}": [links.{link}] with its port is missing')
    return context.bench.ports[link]


def _filled(context: Context, template: str) -> str:
    """Raises Refused where a serial number would become an option."""

    def value(found: re.Match[str]) -> str:
        return found[0][0] if found[1] is None else _value(context, found[1])

    text = _BRACES.sub(value, template)
    if text.startswith("-") and not template.startswith("-"):
        raise Refused(f"{template} would be {visible(text)}: the program would take it for an option")
    if "\0" in text:
        raise Refused(f"{template} would hold a NUL character")
    return text


# --- before the run ---------------------------------------------------------------------------------------------------
def before(context: Context, model: Model) -> None:
    """Filled in, there, and agreed to: with every output off. Raises Refused, BenchError."""
    if _why_not(context, model):
        return
    try:
        argv = [_filled(context, word) for word in model.argv]
        _program(argv[0], context.folder)
        for name in _flashed(context, model):
            _readable(context.folder, name)
        _agree(context, model, argv)
    except Refused as refusal:
        raise Refused(f'the step "{visible(model.title)}": {refusal}') from None


def _why_not(context: Context, model: Model) -> str:
    """Why no program is run on this bench; "" where one is."""
    if not context.bench.runs_programs:
        return "a rehearsal runs no programs"
    asks = {name.partition(".")[0] for word in (*model.argv, *model.flashes) for name in _asked(word)}
    if context.bench.virtual is not None and asks & {"port", "baud", "volume"}:
        return "not run: the virtual bench has no ports of this computer; `wakeboard virtual` serves one"
    return ""


def _program(word: str, folder: str) -> None:
    if os.path.dirname(word):
        if shutil.which(os.path.join(folder, word)) is None:
            raise Refused(f'there is no program "{visible(word)}" in {visible(folder)} that may be run')
    elif shutil.which(word) is None:
        beside = f'; the one beside the sequence is "./{visible(word)}"' if Path(folder, word).is_file() else ""
        raise Refused(f'this computer has no program "{visible(word)}"{beside}')


def _flashed(context: Context, model: Model) -> list[str]:
    return [_filled(context, word) for word in model.flashes]


def _readable(folder: str, name: str) -> None:
    try:
        with open(os.path.join(folder, name), "rb"):
            return
    except OSError as error:
        raise Refused(f'flashes: "{visible(name)}" cannot be read ({error.strerror})') from None


def _agree(context: Context, model: Model, argv: list[str]) -> None:
    digest = _digest(context, model, argv)
    if own.is_agreed(digest):
        return
    shown = visible(json.dumps(list(model.argv), ensure_ascii=False))
    try:
        answer = context.ask(
            f"This sequence runs a program, with your rights: {shown}. Do you know it, and may it run?"
        )
    except NoAnswer:
        short = digest[: own.SHORT]
        raise Refused(
            f"it runs {shown}, which was not agreed to here before: agree on a terminal, or set {own.VARIABLE}={short}"
        ) from None
    if answer != "yes":
        raise Refused(f"{shown} may not run")
    own.keep(Path(context.folder, argv[0]), digest)


def _digest(context: Context, model: Model, argv: list[str]) -> str:
    """Of the command line, and of what it runs from the sequence's folder."""
    parts = [json.dumps([model.argv, model.flashes])]
    data = set(_flashed(context, model))
    parts += [_sha256(path, context.time.pulse) for name, path in _files(context.folder, argv) if name not in data]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _files(folder: str, names: Iterable[str]) -> Iterator[tuple[str, str]]:
    """(as it was named, path) of those names that are files, not looked for on the system's path."""
    for name in dict.fromkeys(names):
        path = os.path.join(folder, name)
        if name and name not in _PLAIN_PATH and os.path.isfile(path):
            yield name, path


def _sha256(path: str, pulse: Callable[[], None]) -> str:
    digest = hashlib.sha256()
    try:
        with open(path, "rb") as file:
            while data := file.read(CHUNK):
                digest.update(data)
                pulse()
    except OSError as error:
        raise Refused(f'"{visible(path)}" cannot be read ({error.strerror})') from None
    return digest.hexdigest()


# --- running ----------------------------------------------------------------------------------------------------------
def run(context: Context, model: Model) -> None:
    if why := _why_not(context, model):
        context.log.outcome = "skipped"
        context.log.say(why)
        return
    argv = [_filled(context, word) for word in model.argv]
    for link in {name.partition(".")[2] or _link(context.board)
                 for word in model.argv for name in _asked(word) if name.startswith("port")}:  # fmt: skip
        context.bench.let_go(link)
    told = ProgramTold(argv=[visible(word) for word in argv], flashed={}, files={})
    flashed = _flashed(context, model)
    told.flashed = {visible(name): _sha256(path, context.time.pulse) for name, path in _files(context.folder, flashed)}
    others = (word for word in argv if word not in flashed)
    told.files = {visible(name): _sha256(path, context.time.pulse) for name, path in _files(context.folder, others)}
    context.log.tell(told)
    for name, digest in told.flashed.items():
        context.log.say(f"flashes {name}, SHA-256 {digest}")
    output = _through(context, model, argv, told)
    if told.exit is not None:
        for name, wanted in model.readings.items():
            _take(context, f"{model.title}.{name}", wanted, output)
    _compare(context, told.flashed)


def _through(context: Context, model: Model, argv: list[str], told: ProgramTold) -> Output:
    """Until it is over, or its time is; what it printed is kept whatever ends it."""
    began = time.monotonic()
    program = Program(argv, context.folder)
    try:
        with program:
            while not (over := program.wait(SLICE)) and time.monotonic() - began < model.timeout:
                context.time.pulse()
                if context.bench.virtual is not None:  # its clock stands still while a program runs
                    context.time.sleep(SLICE)
            told.exit = program.code if over else None
    finally:
        told.seconds = round(time.monotonic() - began, 3)
        told.output, told.output_bytes = program.output.text, program.output.bytes
    _ended(context, model, told, program.output.last_line)
    return program.output


def _ended(context: Context, model: Model, told: ProgramTold, last: str) -> None:
    said = f'; it said last "{last}"' if last else "; it said nothing"
    if told.exit is None:
        context.log.text(model.title, f"was killed: not over within {model.timeout:g} s", "fail", says=said[2:])
        return
    how = f"exit code {told.exit}" if told.exit >= 0 else f"ended by signal {-told.exit}"
    if told.exit == model.exit:
        context.log.text(model.title, f"{how} after {told.seconds:.1f} s", "pass")
    else:
        context.log.text(model.title, how, "fail", says=f"{model.exit} is expected{said}")


def _take(context: Context, of: str, wanted: Wanted, output: Output) -> None:
    try:
        text = _found(wanted, output, context.time.pulse)
    except PatternTooSlow as error:
        raise BenchError(f"{of}: {error}") from None
    if text is None:
        context.log.text(of, "", "fail", says=f"nothing in the output is of the form {wanted.pattern}")
        return
    number, limits = wanted.number(text), wanted.limits
    if number is None:
        context.log.text(of, visible(text)[:200], "fail", says="which is no number")
        return
    unit = wanted.base or wanted.unit
    context.log.number(of, "number", number, unit, limits, decide(number, 0.0, limits), says=visible(text)[:200])


def _found(wanted: Wanted, output: Output, pulse: Callable[[], None]) -> str | None:
    """The first place in the output's beginning, else in its end."""
    pattern = compiled(wanted.pattern)
    for part in output.parts:
        pulse()
        if (found := search(pattern, part)) is not None:
            groups = found.groupdict()
            text = groups["value"] if "value" in groups else found[1] if found.re.groups else found[0]
            return text if text is not None else ""
    return None


def _compare(context: Context, flashed: Mapping[str, str]) -> None:
    """A file that was exchanged under the loader's hands."""
    for name, digest in flashed.items():
        path = os.path.join(context.folder, name)
        if not os.path.isfile(path) or _sha256(path, context.time.pulse) != digest:
            context.log.say(f"{name} changed while it was flashed: what is in the board is not known")
