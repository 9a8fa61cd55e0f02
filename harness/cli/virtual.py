"""`wakeboard virtual`: serves the virtual bench on TCP ports and a serial line until it is stopped."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.beside import LOOPBACK, no_file, place_of, tell_address
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.page.address import Place
    from wakeboard.instruments.virtual.bench import VirtualBench

OF_HANDS = "34970a"  # the scanner whose channels stand for the probe
STEPS = re.compile(rb"^(\[\[step\]\]|step *= *\[)", re.MULTILINE)
BY_HAND = "by-hand.toml"  # what README calls the one for a person's hands
FIRST = "first-power-on.toml"  # what `wakeboard new` and the demo call the sequence that comes first


@wakeboard_command(
    examples=[
        "wakeboard virtual board.toml --bench-file bench.toml",
        'wakeboard virtual board.toml --unit TRY-1 --plant "D3:reversed" --bench-file bench.toml',
        "wakeboard virtual board.toml --by-hand --bench-file hand.toml",
    ]
)
@click.argument("board", type=click.Path(dir_okay=False))
@click.option("--unit", default="0001", show_default=True, metavar="SN", help="Which unit is on the bench.")
@click.option("--plant", "plants", multiple=True, metavar="FAULT", help="A fault in the board; may be repeated.")
@click.option("--bench-file", metavar="FILE", help="Write a bench file that reaches these ports.")
@click.option("--port", default=0, metavar="N", help="The first TCP port; 0: any that are free.")
@click.option("--host", metavar="ADDRESS", default="127.0.0.1", show_default=True, help="The address to serve on.")
@click.option("--psu", metavar="NAME", default="e36312a", show_default=True, help="Whose language the supply speaks.")
@click.option("--dmm", metavar="NAME", default="34461a", show_default=True, help="Whose language the meter speaks.")
@click.option(
    "--scanner", metavar="NAME", default="34970a", show_default=True, help="Whose language the scanner speaks."
)
@click.option("--scope", default="", metavar="NAME", help="An oscilloscope too, and whose language it speaks.")
@click.option("--sees", multiple=True, metavar="N=POINT", help="Its channel N sits on a point or net; repeat it.")
@click.option(
    "--by-hand",
    "hands",
    is_flag=False,
    flag_value=LOOPBACK,
    callback=no_file,
    metavar="[HOST:PORT]",
    help="No scanner: a page on which you put the probe yourself, here only or at that address for a tablet.",
)
@click.option("--settled", is_flag=True, help="No transients: each change is settled at once, for slow computers.")
@common_options
def command(
    common: Common,
    board: str,
    unit: str,
    plants: tuple[str, ...],
    bench_file: str | None,
    port: int,
    host: str,
    psu: str,
    dmm: str,
    scanner: str,
    scope: str,
    sees: tuple[str, ...],
    hands: str | None,
    settled: bool,
) -> int | None:
    """Serve the virtual bench with one unit on it, for any client, until Ctrl-C.

    Each instrument has a TCP port of its own and speaks its maker's language; the board's console is a serial line.
    A units.toml beside the board says what is planted in a unit.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.run.bench.virtual import virtual_bench
    from wakeboard.harness.run.session import planted
    from wakeboard.instruments.virtual.bench import NoOscilloscope
    from wakeboard.instruments.virtual.wire.server import serve

    if _is_open(host):
        common.caution(
            f"{host} serves to every computer that reaches this one: whoever connects moves the outputs and types on "
            "the console; nobody is asked who he is. 127.0.0.1 serves this computer only."
        )
    described = load_board(board)
    try:
        bench = virtual_bench(
            described, unit=unit, plants=planted(described, unit, plants),
            psu=psu, dmm=dmm, scanner=scanner, scope=scope, sees=_sees(sees), transients=not settled,
        )  # fmt: skip
    except KeyError as error:  # a face that nobody has
        raise click.UsageError(str(error.args[0])) from None
    except NoOscilloscope as error:
        raise click.UsageError(str(error)) from None

    if hands is not None and scanner != OF_HANDS:
        raise click.UsageError("--by-hand has no scanner: the probe is in your hands")
    where = None if hands is None else _hands_place(hands)

    def ready(addresses: Any) -> None:
        document = bench.bench_description(addresses.instruments, addresses.console)
        if where is not None:
            _play_hands(common, where, described, bench, document)
        _tell(common, described.name, unit, document, bench_file)
        if bench_file:
            _tell_next(common, board, unit, bench_file, by_hand=where is not None)
        common.note("serving until Ctrl-C")
        _flush()

    try:
        serve(bench, host=host, first_port=port, ready=ready)
    except OSError as error:
        raise click.UsageError(f"a port cannot be opened: {error.strerror or error}") from None
    except KeyboardInterrupt:
        pass
    common.note("stopped")
    return None


def _hands_place(text: str) -> Place:
    """Where the page of the hands is served. Raises click.UsageError, also where what serves it is not installed."""
    from wakeboard.harness.page.link import NoPage, must_be_installed

    try:
        must_be_installed()
    except NoPage as error:
        raise click.UsageError(str(error)) from None
    return place_of(text, "--by-hand")


def _play_hands(common: Common, where: Place, board: Board, bench: VirtualBench, document: dict[str, Any]) -> None:
    """Serve the page on which a person puts the probe; the bench file then has no scanner."""
    from wakeboard.harness.page.hands import PlayedHands, Spot, serve_hands
    from wakeboard.harness.page.stored import pickable_map
    from wakeboard.harness.run.bench.virtual import points_of

    scanner = document["instruments"].pop("scanner")
    probing = document["probing"]
    document["probing"] = {"by": "hand"}
    places = {name: point.place for name, point in board.points.items()}
    spots = [Spot(name, net, places.get(name) or "") for name, net in points_of(board).items()]

    def told(message: Mapping[str, object]) -> None:
        if "address" in message:
            tell_address(common, str(message["address"]), str(message["code"]), "hands")

    try:
        serve_hands(
            where, PlayedHands(scanner["address"], probing["routes"], probing["short"], probing["reverse"]),
            f"{board.name} {board.revision}", spots, pickable_map(str(board.file or ""), [spot.name for spot in spots]),
            lambda: bench.outputs_on, told,
        )  # fmt: skip
    except OSError as error:
        raise click.UsageError(where.refused(error)) from None


def _sees(written: tuple[str, ...]) -> dict[int, str]:
    found: dict[int, str] = {}
    for each in written:
        channel, _, point = each.partition("=")
        if not channel.strip().isdigit() or not point.strip():
            raise click.UsageError(f"--sees {each}: a channel and a point, such as 1=TP3")
        found[int(channel)] = point.strip()
    return found


def _is_open(host: str) -> bool:
    """Whether anything but this computer's own loopback reaches it; what leads nowhere is told when it is opened."""
    import ipaddress
    import socket

    try:
        found = {str(each[4][0]).partition("%")[0] for each in socket.getaddrinfo(host or None, 0)}
    except (OSError, UnicodeError):
        return False
    return not host or any(not ipaddress.ip_address(each).is_loopback for each in found)


def _tell(common: Common, board: str, unit: str, document: dict[str, Any], bench_file: str | None) -> None:
    if bench_file:
        from pathlib import Path

        _write(Path(bench_file), bench_toml(board, unit, document))
        common.note(f"wrote {bench_file}")
    for name, entry in document["instruments"].items():
        common.say(f"{name:12} {entry['address']}")
    for name, entry in document.get("links", {}).items():
        common.say(f"{name:12} {entry['port']} at {entry['baud']} baud")
    common.emit(document)


def _tell_next(common: Common, board: str, unit: str, bench_file: str, by_hand: bool) -> None:
    """The command that uses this bench: this terminal is taken."""
    run = f"wakeboard run {_a_sequence_beside(board, by_hand)} --unit {unit} --bench {bench_file}"
    if by_hand:
        common.note("next: open the page of the hands; then, in another terminal, this, and open its page too:")
        common.note(f"  {run} --page")
    else:
        common.note(f"next, in another terminal:\n  {run}")


def _a_sequence_beside(board: str, by_hand: bool = False) -> str:
    """A sequence file in the board's folder, the first power-on before any other; by hand, one for hands first;
    as a person here would type it."""
    from pathlib import Path

    folder = Path(board).parent
    try:
        found = sorted(each for each in folder.glob("*.toml") if STEPS.search(each.read_bytes()))
    except OSError:
        found = []
    wanted = (BY_HAND, FIRST) if by_hand else (FIRST,)
    named = [each for name in wanted for each in found if each.name == name]
    first = next(iter([*named, *found]), None)
    return str(first) if first else "SEQUENCE"


def _flush() -> None:
    import sys

    sys.stdout.flush()
    sys.stderr.flush()


def _write(path: Path, text: str) -> None:
    """The whole file or none: a client may be waiting for it."""
    import os

    whole = path.with_name(path.name + ".part")
    try:
        whole.write_text(text, encoding="utf-8")
        os.replace(whole, path)
    except OSError as error:
        raise click.UsageError(f"{path} cannot be written: {error.strerror or error}") from None


def bench_toml(board: str, unit: str, document: dict[str, Any]) -> str:
    """A bench file as a person would write it."""
    lines = [f"# The virtual bench with {board}, unit {unit}; the ports are open while `wakeboard virtual` runs.", ""]
    if plain := {key: value for key, value in document.items() if not isinstance(value, dict)}:
        lines += [*_pairs(plain), ""]
    for name, entry in document["instruments"].items():
        lines += [f"[instruments.{name}]", *_pairs(entry), ""]
    lines += ["[probing]", *_pairs(document["probing"]), ""]
    for name, entry in document.get("links", {}).items():
        lines += [f"[links.{name}]", *_pairs(entry), ""]
    return "\n".join(lines)


def _pairs(table: dict[str, object]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _key(key: str) -> str:
    plain = key.replace("_", "").replace("-", "").isalnum() and key.isascii()
    return key if plain else _value(key)


def _value(value: object) -> str:
    """A TOML value. JSON's strings are TOML's basic strings."""
    import json

    if isinstance(value, dict):
        return "{ " + ", ".join(_pairs(value)) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return json.dumps(value, ensure_ascii=False)
