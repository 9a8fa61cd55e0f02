"""`wakeboard new`: a folder to start a bring-up from."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

EXAMPLES = ["wakeboard new skep-bring-up", "wakeboard new .", "wakeboard new amplifier --netlist amplifier.cir"]
FILES = ("board.toml", "bench.toml", "first-power-on.toml")
GITIGNORE = """# Results are kept by `wakeboard push` or by a copy, not by version control.
wakeboard.db
wakeboard.db-*
*.html
"""


@wakeboard_command(examples=EXAMPLES)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--netlist",
    metavar="FILE",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Begin the board file with the parts of a SPICE netlist.",
)
@common_options
def command(common: Common, folder: Path, netlist: Path | None) -> int:
    """Make a bring-up folder: commented board.toml, bench.toml, a first sequence, .gitignore.

    The files are good as they stand, so that the sequence can be tried on the virtual bench before anything is
    replaced. Nothing that exists is overwritten.

    --netlist reads R C L V I D Q M X, .model, .subckt, .param: what could be read becomes parts, a source above 0 V
    against ground a supply. Tolerances, absolute maxima and places are yours to add.
    """
    texts = _texts(folder)
    if netlist is not None:
        texts.update(_begun(netlist, folder))
    _refuse_to_overwrite(folder, texts)
    _write(folder, texts)
    for name in texts:
        common.say(f"wrote {folder / name}")
    common.note(f"next: edit {folder / 'board.toml'}, then: wakeboard check {folder / 'board.toml'}")
    common.emit({"folder": str(folder), "files": [str(folder / name) for name in texts]})
    return Exit.GOOD


def _texts(folder: Path) -> dict[str, str]:
    templates = resources.files("wakeboard.sequences").joinpath("template")
    texts = {name: templates.joinpath(name).read_text(encoding="utf-8") for name in FILES}
    texts["board.toml"] = texts["board.toml"].replace('"My board"', f'"{_board_name(folder)}"', 1)
    return {**texts, ".gitignore": GITIGNORE}


def _begun(netlist: Path, folder: Path) -> dict[str, str]:
    from wakeboard.harness.describe.from_netlist import begun_from
    from wakeboard.instruments.virtual.circuit.errors import CircuitError
    from wakeboard.instruments.virtual.circuit.spice_text import NetlistError

    try:
        board, sequence = begun_from(netlist.read_text(encoding="utf-8"), _board_name(folder))
    except (NetlistError, CircuitError, UnicodeDecodeError, OSError) as error:
        raise click.UsageError(f"{netlist}: {error}") from None
    return {"board.toml": board, "first-power-on.toml": sequence}


def _board_name(folder: Path) -> str:
    name = "".join(each for each in folder.resolve().name if each.isprintable() and each not in '"\\')
    return name or "My board"


def _refuse_to_overwrite(folder: Path, texts: dict[str, str]) -> None:
    if folder.exists() and not folder.is_dir():
        raise click.UsageError(f"{folder} is a file; give the name of a folder.")
    there = [name for name in texts if (folder / name).exists() or (folder / name).is_symlink()]
    if there:
        raise click.UsageError(f"{folder} already has {', '.join(there)}; nothing was written. Give another folder.")


def _write(folder: Path, texts: dict[str, str]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            with open(folder / name, "x", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
    except OSError as error:
        raise click.UsageError(f"{error.filename or folder}: {(error.strerror or str(error)).lower()}.") from None
