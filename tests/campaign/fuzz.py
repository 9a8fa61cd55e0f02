"""Random bytes into every reader of replies and files: a value, or an error of our own classes, and nothing else.

Three kinds of strings, drawn from a seed: bytes at random; words of the language in random order; sound texts with a
few bytes changed, doubled, moved or cut. Replies are decoded as the link does it (latin-1).
"""

from __future__ import annotations

import random
import re
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

from tests.campaign import board as files
from wakeboard.harness.describe.load import load_bench, load_board, load_sequence, load_units
from wakeboard.harness.describe.problems import FileProblems
from wakeboard.harness.run.guard import wire
from wakeboard.instruments.dialect import (
    Asking,
    DmmDialect,
    PsuDialect,
    Register,
    dialect_names,
    load_dialect,
    read_dialect,
)
from wakeboard.instruments.errors import DialectError
from wakeboard.instruments.link.identity import like_identity, parse_identity
from wakeboard.instruments.link.replies import (
    ReplyError,
    channels_of,
    error_entry,
    integer,
    number,
    searched,
    split_units,
    truth,
)
from wakeboard.instruments.scpi.psu_status import register_value

REPLIES = [
    b"+1.23450000E+00", b"5.000V", b"1", b"ON", b"0/OFF", b"CC", b"512", b"0x0224", b'-222,"Data out of range"',
    b'+0,"No error"', b"0  No Error", b"(@101,103:105)", b"#14(@101)", b'"VOLT:DC +1.000000E+01"', b"9.9E37",
    b"Keysight Technologies,E36312A,MY1,2.1.0", b"KORADKA3005PV2.0\xbc", b"+5.0E+00;+1.0E-01;1;1", b"00010010", b"\x11",
]  # fmt: skip
WORDS = b"0 1 9 + - . E e , ; : \" ' ( @ ) # ON OFF CV CC V A x _ \0 \xff \xb0 \xb2 \xd9\xa3 nan inf 1e999".split(b" ")
BENCH = b"""
[instruments.supply]
kind = "psu"
address = "TCPIP::192.0.2.10::5025::SOCKET"
feeds = { 1 = "USB", 2 = "AUX" }
[probing]
by = "hand"
"""
FULL_BENCH = (
    b'mains = "50 Hz"\n'
    + BENCH
    + b"""
[instruments.meter]
kind = "dmm"
address = "USB0::0x1AB1::0x0588::SERIAL::INSTR"
dialect = "keysight-truevolt"
identity = "MY1"
timeout = "500 ms"
calibrated = 2026-01-31
due = 2027-01-31
[instruments.relays]
kind = "scanner"
address = "ASRL/dev/ttyUSB1::INSTR"
terminator = "\\r\\n"
[probing]
by = "scanner"
routes = { TP1 = 101, TP2 = "102" }
reverse = 103
short = 105
volts = "60 V"
bleed = { ohms = "10k \xc2\xb1 1 %", route = 104 }
[links.console]
port = "/dev/ttyUSB0"
baud = 115200
dtr = false
[volumes.flash]
path = "/media/flash"
"""
)
UNITS = b'[units.T-1]\nplant = ["R1:open"]\n'
TOML_WORDS = [
    b"[", b"]", b"[[", b"]]", b"=", b"\n", b"\n", b".", b'"', b"'", b'"""', b"{", b"}", b",", b"#", b"step",
    b"board", b"parts", b"supplies", b"rails", b"units", b"instruments", b"do", b"name", b"R1", b"kind", b'"5 V"',
    b'"psu"', b"1", b"-1", b"1e400", b"nan", b"true", b"1979-05-27", b"0x", b"\\u", b"\xc2\xb5", b"\xff", b"\0", b" ",
    b"title", b"9" * 30,
]  # fmt: skip


@dataclass
class Tally:
    """Of one reader. values: how many texts it could read; strangers: exceptions that are not ours."""

    name: str
    tries: int = 0
    values: int = 0
    strangers: list[str] = field(default_factory=list)


def texts(count: int, seed: int, sound: list[bytes], words: list[bytes], mutated: float) -> Iterator[bytes]:
    """Random bytes, random words, and a share of changed sound texts."""
    rng = random.Random(seed)
    for _ in range(count):
        kind = rng.random()
        if kind < mutated:
            yield mutate(rng, rng.choice(sound))
        elif kind < 0.5 + mutated / 2:
            yield b"".join(rng.choices(words, k=rng.randint(0, 24)))
        else:
            yield rng.randbytes(rng.randint(0, 60))


def mutate(rng: random.Random, text: bytes) -> bytes:
    data = bytearray(text)
    for _ in range(rng.randint(1, 3)):
        place = rng.randint(0, len(data))
        what = rng.randrange(4)
        if what == 0:
            data[place : place + 1] = rng.randbytes(1)
        elif what == 1:
            del data[place : place + rng.randint(1, 8)]
        elif what == 2:
            data[place:place] = data[rng.randint(0, len(data)) :][: rng.randint(1, 30)]
        else:
            del data[place:]
    return bytes(data)


def reply_readers() -> dict[str, tuple[Callable[[str], Any], type[Exception]]]:
    """Every way in which a driver reads a reply, with the class that it may raise."""
    readers: dict[str, tuple[Callable[[str], Any], type[Exception]]] = {
        "number": (number, ReplyError),
        "truth": (truth, ReplyError),
        "integer": (integer, ReplyError),
        "error entry": (error_entry, ReplyError),
        "channel list": (channels_of, ReplyError),
        "identity": (parse_identity, ReplyError),
        "like identity": (like_identity, ReplyError),
        "units of a line": (split_units, ReplyError),
        "guard's message": (lambda text: wire.decode(text.encode("latin-1")), ValueError),
    }
    patterns = sorted(_patterns())
    for name, reader in (("number", number), ("truth", truth), ("search", searched)):
        told = f"{name} by each of {len(patterns)} patterns of the dialects"
        readers.update({f"{told}\0{p}": (lambda text, p=p, r=reader: r(text, p), ReplyError) for p in patterns})
    for form, register in _registers().items():
        readers[f"register {form}"] = (lambda text, r=register: register_value(text, r), ReplyError)
    return readers


def _dialects() -> Iterator[Any]:
    return (load_dialect(name) for name in dialect_names())


def _patterns() -> set[str]:
    """The patterns of all questions of all dialects."""
    found: set[str] = set()

    def walk(node: Any) -> None:
        if isinstance(node, Asking) and node.reply:
            found.add(node.reply)
        if hasattr(type(node), "model_fields"):
            for name in type(node).model_fields:
                walk(getattr(node, name))
        elif isinstance(node, dict):
            for each in node.values():
                walk(each)
        elif isinstance(node, (list, tuple)):
            for each in node:
                walk(each)

    for dialect in _dialects():
        walk(dialect)
        if isinstance(dialect, DmmDialect):
            found |= {spec.function for spec in dialect.quantities.values() if getattr(spec, "function", None)}
    return found


def _registers() -> dict[str, Register]:
    return {
        f"{register.form} {register.reply or ''}".strip(): register
        for dialect in _dialects()
        if isinstance(dialect, PsuDialect)
        for register in dialect.status.registers.values()
    }


def file_readers(folder: Path) -> dict[str, Callable[[bytes], Any]]:
    """Every reader of TOML; each takes the bytes of the file."""
    path = folder / "fuzzed.toml"
    (folder / "board.toml").write_text(files.BOARD, encoding="utf-8")

    def of(load: Callable[[Path], Any]) -> Callable[[bytes], Any]:
        def reader(data: bytes) -> Any:
            path.write_bytes(data)
            return load(path)

        return reader

    def dialect(data: bytes) -> Any:
        try:
            tables = tomllib.loads(data.decode())
        except ValueError:
            raise DialectError("no TOML") from None  # as dialect._raw tells it
        return read_dialect(tables, "fuzzed")

    return {
        "board": of(load_board), "bench": of(load_bench), "sequence": of(load_sequence), "units": of(load_units),
        "dialect": dialect,
    }  # fmt: skip


SUBSETS = 300  # of each packaged file


def sound_texts() -> dict[str, list[bytes]]:
    """What is changed for each reader: a small file that is sound and, as often, some tables of a large one; its names
    then lead nowhere."""
    rng = random.Random(1)
    skep = resources.files("wakeboard.sequences") / "demo" / "skep"
    dialects = resources.files("wakeboard.instruments") / "dialects"
    return {
        "board": [*[files.BOARD.encode()] * SUBSETS, *_subsets(rng, (skep / "board.toml").read_bytes())],
        "bench": [*[BENCH] * SUBSETS, *_subsets(rng, FULL_BENCH)],
        "sequence": [*[files.SEQUENCE.encode()] * SUBSETS, *_subsets(rng, (skep / "bring-up.toml").read_bytes())],
        "units": [*[UNITS] * SUBSETS, *_subsets(rng, (skep / "units.toml").read_bytes())],
        "dialect": [(dialects / f"{name}.toml").read_bytes() for name in dialect_names()],
    }


def _subsets(rng: random.Random, text: bytes) -> Iterator[bytes]:
    """Texts of the first table and a few others, in their order."""
    head, first, *others = re.split(rb"(?m)^(?=\[)", text)
    for _ in range(SUBSETS):
        chosen = sorted(rng.sample(range(len(others)), min(len(others), rng.randint(0, 4))))
        yield b"".join([head, first, *(others[each] for each in chosen)])


def replies(count: int, seed: int) -> list[Tally]:
    """Every text into every reader."""
    readers = reply_readers()
    tallies = {name: Tally(name) for name in readers}
    for data in texts(count, seed, REPLIES, WORDS, 0.4):
        text = data.decode("latin-1")
        for name, (reader, allowed) in readers.items():
            tally = tallies[name]
            tally.tries += 1
            try:
                reader(text)
                tally.values += 1
            except allowed:
                pass
            except Exception as error:  # noqa: BLE001  this is what is looked for
                tally.strangers.append(f"{type(error).__name__}: {error} from {text!r}")
    return _gathered(tallies.values())


def _gathered(tallies: Iterable[Tally]) -> list[Tally]:
    """One tally for all patterns of a kind."""
    by: dict[str, Tally] = {}
    for each in tallies:
        name = each.name.partition("\0")[0]
        tally = by.setdefault(name, Tally(name))
        tally.tries += each.tries
        tally.values += each.values
        tally.strangers += each.strangers
    return list(by.values())


def _memory() -> str | None:
    """A folder in memory where the system has one: millions of small files would else be a test of the disk."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def tables(count: int, seed: int, mutated: float) -> list[Tally]:
    """Texts into every reader of TOML; changed sound texts are rare, since they cost a whole reading."""
    tallies, sound = [], sound_texts()
    with tempfile.TemporaryDirectory(dir=_memory()) as folder:
        for name, reader in file_readers(Path(folder)).items():
            tally = Tally(f"{name} file")
            for data in texts(count, seed, sound[name], TOML_WORDS, mutated):
                tally.tries += 1
                try:
                    reader(data)
                    tally.values += 1
                except (FileProblems, DialectError):
                    pass
                except Exception as error:  # noqa: BLE001  this is what is looked for
                    tally.strangers.append(f"{type(error).__name__}: {error} from {data!r}")
            tallies.append(tally)
    return tallies


def main(count: int, seed: int, mutated: float = 0.05) -> bool:
    """Run, print a table, and say whether only our own errors came."""
    started = time.process_time()
    tallies = [*replies(count, seed), *tables(count, seed, mutated)]
    print("| reader | readings | with a value | strange exceptions |\n| --- | ---: | ---: | ---: |")
    for tally in tallies:
        print(f"| {tally.name} | {tally.tries} | {tally.values} | {len(tally.strangers)} |")
    for tally in tallies:
        for each in tally.strangers[:5]:
            print(f"FOUND {tally.name}: {each}", file=sys.stderr)
    print(f"\n{sum(t.tries for t in tallies)} readings in {time.process_time() - started:.0f} s of processor time")
    return not any(tally.strangers for tally in tallies)


if __name__ == "__main__":
    sys.exit(not main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000, 6))
