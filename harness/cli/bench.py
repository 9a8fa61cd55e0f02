"""`wakeboard bench`: finds and identifies the instruments, holds them against the bench file, checks them."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.run.fitness.selfcheck import CheckedInstrument

EXAMPLES = [
    "wakeboard bench",
    "wakeboard bench bench.toml",
    "wakeboard bench bench.toml --json",
    "wakeboard bench bench.toml --conform",
    'wakeboard bench --probe "TCPIP::192.0.2.10::5025::SOCKET" -o my-psu.toml',
]
KEPT_OUT = (
    "While Wakeboard uses these instruments no other Wakeboard of this computer does, whoever started it. Programs "
    "that are not Wakeboard are not kept from them."
)


@wakeboard_command(examples=EXAMPLES)
@click.argument("bench", required=False, type=click.Path(dir_okay=False))
@click.option(
    "--conform", is_flag=True, help="Put each instrument through the conformance suite; nothing may be connected."
)
@click.option(
    "--yes-outputs-are-open", "open_circuit", is_flag=True, help="With --conform where nobody may be asked: it is so."
)
@click.option("--probe", "unknown", metavar="ADDRESS", help="Begin a dialect for the instrument at a VISA address.")
@click.option(
    "--kind", type=click.Choice(["psu", "dmm", "scanner", "scope"]), help="With --probe: what it is, if you know."
)
@click.option("-o", "--output", metavar="FILE", help="With --probe: the file to write. Default: by the model's name.")
@common_options
def command(
    common: Common,
    bench: str | None,
    conform: bool,
    open_circuit: bool,
    unknown: str | None,
    kind: str | None,
    output: str | None,
) -> int | None:
    """Ask every instrument who it is, and whether it is what the bench file says.

    Identity, serial number, calibration date, dialect with its cautions and what in it is unverified, and how soon the
    power would be off by what the supplies take to answer. What a run will say to them is tried: settings of outputs
    that are off, put back afterwards; the meter's functions; one relay, when every output is seen to be off.

    No output is switched on, but with --conform: that switches every output on, at 1 V and 10 mA into an open
    circuit, after asking.

    Without a bench file: whatever answers on the ports of this computer. Serial ports are listed and not opened.

    --probe asks an instrument that no dialect knows questions that only read settings and states, and writes the
    beginning of a dialect: what it answered, and what is unproven. Nothing is set or switched; it may beep.
    """
    if unknown is not None:
        if bench is not None or conform:
            raise click.UsageError("--probe takes an address, and no bench file.")
        return _probe(common, unknown, kind, output)
    if kind is not None or output is not None:
        raise click.UsageError("--kind and --output go with --probe.")
    if bench is None:
        if conform:
            raise click.UsageError("--conform needs a bench file: it names the instruments that may be switched.")
        return _find(common)
    from wakeboard.harness.describe.load import load_bench

    described = load_bench(bench)
    checked = _check(common, described)
    document: dict[str, object] = {
        "instruments": [each.as_json() for each in checked],
        "ok": all(each.ok for each in checked),
        "budget": _budget(common, checked),
    }
    code = Exit.GOOD if document["ok"] else Exit.BENCH
    if conform:
        if code is not Exit.GOOD:
            common.note("the conformance suite is not run: the bench is not what its file says")
        else:
            code = _conform(common, described, open_circuit, document)
    common.emit(document)
    return code


# --- without a bench file ---------------------------------------------------------------------------------------------
def _find(common: Common) -> Exit:
    from wakeboard.harness.run.fitness.selfcheck import find_instruments

    found = find_instruments()
    if not found:
        common.note("no instrument answers on USB or serial ports; one on the LAN is reached by its address in a "
                    "bench file")  # fmt: skip
    for each in found:
        _show(common, each)
    ok = any(each.ok for each in found)
    common.emit({"instruments": [each.as_json() for each in found], "ok": ok})
    return Exit.GOOD if ok else Exit.BENCH


def _probe(common: Common, address: str, kind: str | None, output: str | None) -> Exit:
    from wakeboard.instruments.scpi.unknown import beginning, introduce, look

    with introduce(address) as link:
        found = look(link, kind)
    common.say(f"{visible(found.identity)} answers at {address}")
    document: dict[str, object] = {
        "identity": found.identity,
        "kind": found.kind,
        "nearest": found.nearest,
        "file": None,
    }
    document["answered"] = {each.line: each.reply for each in found.answered}
    document["refused"] = {each.line: each.refused for each in found.refused}
    if not found.kind:
        common.note(
            "it answered no question that tells a supply, a meter, a scanner or an oscilloscope: no dialect was begun"
        )
        common.emit({**document, "ok": False})
        return Exit.BENCH
    if found.fits:
        common.say(f"the dialect {found.fits} fits its identity: a bench file needs no `dialect` for it")
    file = _written(output or _file_name(found.identity), beginning(found))
    for each in found.answered:
        _line(common, f"{each.line} answers {visible(each.reply[:60])}")
    for each in found.refused:
        _line(common, f"{each.line} is refused: {visible(each.refused)}")
    common.say(f"wrote {file}: a {found.kind}, begun from {found.nearest}; no command in it is proven")
    _line(common, f'dialect = "{file}" in the bench file takes it; what is unproven stands in the file')
    common.emit({**document, "file": file, "ok": True})
    return Exit.GOOD


def _file_name(identity: str) -> str:
    import re

    from wakeboard.instruments.link.identity import parse_identity

    who = parse_identity(identity)
    return (re.sub(r"[^a-z0-9]+", "-", f"{who.maker} {who.model}".casefold()).strip("-")[:60] or "instrument") + ".toml"


def _written(file: str, text: str) -> str:
    """Never over a file that is there: a person may have worked on it."""
    from wakeboard.instruments.dialect import read_text

    read_text(text, file)
    try:
        with open(file, "x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise click.UsageError(f"{file} is there already: -o names another file.") from None
    except OSError as error:
        raise click.UsageError(f"{file} cannot be written: {error.strerror}.") from None
    return file


# --- with one ---------------------------------------------------------------------------------------------------------
def _check(common: Common, described: Bench) -> list[CheckedInstrument]:
    from wakeboard.harness.run.bench.opening import open_driver
    from wakeboard.harness.run.fitness.selfcheck import check_distinct, check_instruments

    checked = []
    for each in check_instruments(described, open_driver=open_driver):
        checked.append(each)
        _show(common, each)
    good = {each.name for each in checked if each.ok}
    check_distinct(checked)
    for each in checked:
        if each.name in good and not each.ok:
            _line(common, f"FAILS {each.name}: {each.says[-1]}", "")
    _line(common, KEPT_OUT, "")
    return checked


def _show(common: Common, each: CheckedInstrument) -> None:
    if common.json:
        return
    word = (
        click.style("ok   ", fg="green")
        if each.ok
        else click.style("FAILS" if each.name else "?    ", fg="red", bold=True)
    )
    common.say(f"{word} {each.name or each.address}")
    _line(common, each.identity)
    if each.name:
        common.say(f"      {each.kind} at {each.address}, dialect {each.dialect or 'unknown'}")
    for text in each.says:
        _line(common, text)
    for text in each.cautions:
        _line(common, text, "      ! ")
    if each.unverified:
        _line(common, f"not from the maker's documents, checked by reading back: {', '.join(each.unverified)}")


def _line(common: Common, text: str, indent: str = "      ") -> None:
    if text and not common.json:
        common.say(indent + text)


def _budget(common: Common, checked: list[CheckedInstrument]) -> list[dict[str, object]]:
    """How soon the power would be off; told where every supply answered."""
    from wakeboard.harness.run.fitness.budget import budget, round_s

    supplies = [each.timed for each in checked if each.timed is not None]
    if not supplies or len(supplies) < sum(each.kind == "psu" for each in checked):
        return []
    bounds = budget(supplies)
    if not common.json:
        common.say("\nAll outputs commanded off, by the reply times measured now")
        common.say(f"(the guard looks at each output {1 / round_s(supplies):.0f} times a second):")
        for bound in bounds:
            common.say(f"  {bound.seconds * 1e3:7.0f} ms  after {bound.event}")
            _line(common, bound.says, " " * 20)
    return [bound.as_json() for bound in bounds]


# --- the conformance suite --------------------------------------------------------------------------------------------
def _conform(common: Common, described: Bench, open_circuit: bool, document: dict[str, Any]) -> Exit:
    from wakeboard.harness.cli.exits import OutputsNotOff
    from wakeboard.harness.cli.signals import as_interrupt
    from wakeboard.harness.run.bench.conform import conform, left_on

    _ask(common, open_circuit)
    document["conformance"] = {}
    still_on: list[str] = []
    with as_interrupt():
        for name, checks in conform(described):
            document["conformance"][name] = [{"check": each.name, "ok": each.ok, "says": each.says} for each in checks]
            still_on += [f"{name} {output}" for output in left_on(checks)]
            bad = [each for each in checks if not each.ok]
            common.say(f"\n{name}: {len(checks) - len(bad)} of {count(len(checks), 'check')} hold")
            for each in checks:
                word = "ok   " if each.ok else click.style("FAILS", fg="red", bold=True)
                _checked_line(common, word, each.name, each.says)
            document["ok"] = document["ok"] and not bad
    if still_on:
        raise OutputsNotOff(f"not confirmed off: {', '.join(still_on)}")
    return Exit.GOOD if document["ok"] else Exit.BENCH


def _checked_line(common: Common, word: str, name: str, says: str) -> None:
    if not common.json:
        common.say(f"{word} {name}: {says}" if says else f"{word} {name}")


def _ask(common: Common, open_circuit: bool) -> None:
    """A person says so, by a word that is not typed by accident; or the option does. Never by default."""
    if open_circuit:
        return
    from wakeboard.harness.run.bench.conform import QUESTION

    if not common.interactive:
        raise click.UsageError(
            "--conform switches outputs on, and nobody may be asked whether they are open circuits: "
            "--yes-outputs-are-open says so."
        )
    click.echo(f"\n  {QUESTION}\n  Type `open` to go on: ", nl=False, err=True)
    if sys.stdin.readline().strip().casefold() != "open":
        from wakeboard.harness.run.errors import OperatorStop

        raise OperatorStop("nothing was switched on")
