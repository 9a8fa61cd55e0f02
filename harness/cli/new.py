"""`wakeboard new`: a folder to start a bring-up from, empty or begun from a drawing."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.from_netlist import Begun
    from wakeboard.harness.drawings.boardfile.draft import Draft
    from wakeboard.harness.drawings.reading import Given, Role

EXAMPLES = [
    "wakeboard new skep-bring-up",
    "wakeboard new my-board --netlist board.ipc --bom bom.csv --places places.csv",
    "wakeboard new my-board --netlist board.ipc --pins U5=radio.ibs",
    "wakeboard new amplifier --netlist amplifier.cir",
]
FILES = ("board.toml", "bench.toml", "first-power-on.toml")
GITIGNORE = """# Results are kept by `wakeboard push` or by a copy, not by version control.
wakeboard.db
wakeboard.db-*
*.html
"""
_FILE = click.Path(exists=True, dir_okay=False)


@wakeboard_command(examples=EXAMPLES)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--netlist", "netlists", metavar="FILE", type=_FILE, multiple=True, help="Nets and pins of the board.")
@click.option("--bom", "boms", metavar="FILE", type=_FILE, multiple=True, help="A list of parts: values by reference.")
@click.option("--places", metavar="FILE", type=_FILE, multiple=True, help="A list of places: X, Y, side by reference.")
@click.option(
    "--pins",
    metavar="[PART=]FILE",
    multiple=True,
    help="Pins of a chip: IBIS or BSDL. PART where its name does not tell.",
)
@click.option(
    "--columns", metavar="ROLE=HEADING,…", help='Where the columns of a list are found wrong: "value=Wert,x=Mid X".'
)
@click.option(
    "--reader",
    "own",
    metavar="FILE.py",
    type=_FILE,
    multiple=True,
    help="Your own code that reads a format.",
)
@common_options
def command(
    common: Common,
    folder: Path,
    netlists: tuple[str, ...],
    boms: tuple[str, ...],
    places: tuple[str, ...],
    pins: tuple[str, ...],
    columns: str | None,
    own: tuple[str, ...],
) -> int:
    """Make a bring-up folder: commented board.toml, bench.toml, a first sequence, .gitignore.

    Without files of a drawing the folder holds a small board that works as it is, to be replaced piece by piece.

    With them board.toml is begun from the drawing. Files are told by content: IPC-D-356, IPC-2581, EDIF or SPICE for
    --netlist (IPC-2581 needs no lists), CSV or .xlsx for --bom and --places. Each line says where it came from; what
    only a person can say is marked FILL IN. On a folder that has a board already the drawing is merged into it: what
    you wrote stays.
    """
    _take_readers(folder, own)
    given = _given(netlists, boms, places, pins, columns)
    if given and not _is_one_circuit(given):
        return _from_drawing(common, folder, given)
    if given:
        return _from_circuit(common, folder, Path(netlists[0]))
    texts = _texts(folder)
    _refuse_to_overwrite(folder, texts)
    _write(folder, texts)
    _tell_files(common, folder, texts)
    common.emit({"folder": str(folder), "files": [str(folder / name) for name in texts]})
    return Exit.GOOD


def _take_readers(folder: Path, own: tuple[str, ...]) -> None:
    """Readers of installed packages, of files that are named here, and of the board that is there already."""
    from wakeboard.harness.describe.own import take_file, take_own, take_packages
    from wakeboard.harness.describe.problems import FileProblems
    from wakeboard.harness.describe.toml.document import read
    from wakeboard.harness.drawings.readers import readers

    readers()  # its registry is there before what comes into it
    take_packages()
    for file in own:
        take_file(Path(file))
    if (folder / "board.toml").is_file():
        document = read(folder / "board.toml")
        take_own(document)
        if document.problems:
            raise FileProblems(document.problems)


# --- what is given --------------------------------------------------------------------------------------------------
def _given(
    netlists: tuple[str, ...],
    boms: tuple[str, ...],
    places: tuple[str, ...],
    pins: tuple[str, ...],
    columns: str | None,
) -> list[Given]:
    from wakeboard.harness.drawings.reading import Given

    said = _columns(columns)
    roles: list[tuple[Role, tuple[str, ...]]] = [("netlist", netlists), ("bom", boms), ("places", places)]
    given = [Given(file, role, columns=said) for role, files in roles for file in files]
    for text in pins:
        part, mark, file = text.partition("=")
        file = file if mark else part
        if not Path(file).is_file():
            raise click.UsageError(f"--pins {text}: there is no file {file!r}; write FILE or PART=FILE")
        given.append(Given(file, "pins", part if mark else ""))
    if given and not netlists:
        raise click.UsageError("a list alone has no nets: give the netlist too, as --netlist FILE")
    if columns and not (boms or places):
        raise click.UsageError("--columns goes with --bom or --places")
    return given


def _columns(text: str | None) -> dict[str, str]:
    from wakeboard.harness.describe.problems import nearest, one_of
    from wakeboard.harness.drawings.lists.columns import ROLES

    found = {}
    for pair in filter(None, (text or "").split(",")):
        role, mark, heading = (piece.strip() for piece in pair.partition("="))
        if not mark or role not in ROLES or not heading:
            hint = nearest(role, ROLES)
            raise click.UsageError(f"--columns {pair}: write ROLE=HEADING; roles: {one_of(ROLES, 20)}. {hint}".strip())
        found[role] = heading
    return found


def _is_one_circuit(given: list[Given]) -> bool:
    """A SPICE netlist and nothing else: its parts are the board's, to the last digit."""
    from wakeboard.harness.drawings.readers import reader_of, spice
    from wakeboard.harness.drawings.source import opened

    return len(given) == 1 and reader_of(opened(given[0].file)).WHAT == spice.WHAT


# --- from one circuit ------------------------------------------------------------------------------------------------
def _from_circuit(common: Common, folder: Path, netlist: Path) -> int:
    """What cannot be read of it is told all at once, and is left as a place to fill in."""
    begun = _begun(netlist, folder)
    texts = {**_texts(folder), "board.toml": begun.board, "first-power-on.toml": begun.sequence}
    texts["bench.toml"] = _bench(texts["bench.toml"], begun.board)
    _refuse_to_overwrite(folder, texts)
    _write(folder, texts)
    for each in begun.left_out:
        common.say(f"not used: {each}")
    for unread in begun.unread:
        common.say(f"{netlist}: {unread.says.removeprefix('netlist ')}")
    places = [{"at": each.name, "what": each.says} for each in begun.unread]
    common.say(f"{count(begun.parts, 'part')}, {count(len(places), 'place')} to fill in")
    _tell_files(common, folder, texts)
    files = [str(folder / name) for name in texts]
    common.emit({"folder": str(folder), "files": files, "fill_in": places, "notes": begun.left_out})
    return Exit.GOOD


def _begun(netlist: Path, folder: Path) -> Begun:
    from wakeboard.harness.describe.board.from_netlist import begun_from
    from wakeboard.harness.drawings.source import opened
    from wakeboard.instruments.virtual.circuit.errors import CircuitError

    try:
        return begun_from(opened(str(netlist)).text, _board_name(folder))
    except CircuitError as error:
        raise click.UsageError(f"{netlist}: {error}") from None


def _tell_files(common: Common, folder: Path, texts: dict[str, str]) -> None:
    for name in texts:
        common.say(f"wrote {folder / name}")
    common.note(f"next: edit {folder / 'board.toml'}, then: wakeboard check {folder / 'board.toml'}")


# --- from a drawing -------------------------------------------------------------------------------------------------
def _from_drawing(common: Common, folder: Path, given: list[Given]) -> int:
    from wakeboard.harness.drawings.boardfile.draft import drafted
    from wakeboard.harness.drawings.boardfile.first_sequence import first_sequence
    from wakeboard.harness.drawings.boardfile.left import unfilled
    from wakeboard.harness.drawings.places.places import NAME as PLACES
    from wakeboard.harness.drawings.places.places import places_text
    from wakeboard.harness.drawings.reading import read_all

    draft = drafted(read_all(given), _board_name(folder), folder)
    board = folder / "board.toml"
    told: list[str] = []
    to_fill = draft.places_to_fill
    texts = {**_texts(folder), "board.toml": draft.text, "first-power-on.toml": first_sequence(draft)}
    texts["bench.toml"] = _bench(texts["bench.toml"], draft.text)
    if board.is_file():
        text, told = _merged(board, draft)
        to_fill = unfilled(text, to_fill)
        texts = {name: each for name, each in texts.items() if not (folder / name).exists()}
        _replace(board, text)
    _refuse_to_overwrite(folder, texts)
    _write(folder, texts)
    _replace(folder / PLACES, places_text(draft))
    for remark in draft.design.remarks:
        common.say(f"note: {remark}")
    for line in told:
        common.say(line)
    counts = {**draft.counts(), "places": len(to_fill)}
    _tell(common, counts, to_fill)
    for name in texts:
        common.say(f"wrote {folder / name}")
    if "board.toml" not in texts:
        common.say(f"merged into {board}" + ("" if told else ": the drawing changed nothing"))
    common.note(f"next: wakeboard check {folder / 'board.toml'}; wakeboard review {folder / 'board.toml'}")
    places = [{"at": at, "what": what} for at, what in to_fill]
    files = [str(folder / name) for name in texts]
    common.emit(
        {
            "folder": str(folder),
            "files": files,
            **counts,
            "fill_in": places,
            "notes": draft.design.remarks,
            "merged": told,
        }
    )
    return Exit.GOOD


def _merged(board: Path, draft: Draft) -> tuple[str, list[str]]:
    """The board file with the drawing merged in. Raises FileProblems."""
    from wakeboard.harness.describe.problems import FileProblems
    from wakeboard.harness.describe.toml.document import read
    from wakeboard.harness.drawings.boardfile.merge import merged
    from wakeboard.harness.drawings.places.places import places_beside

    document = read(board)
    if document.problems:
        raise FileProblems(document.problems)
    places = places_beside(board)
    result = merged(document.text, places.base if places else None, draft, str(board))
    return result.text, result.told


def _replace(file: Path, text: str) -> None:
    """Write a file whole or not at all: a person's work stands in it."""
    from wakeboard.results.export import whole_file

    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(str(file)) as new:
            new.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise click.UsageError(f"{error.filename or file}: {(error.strerror or str(error)).lower()}.") from None


MOST_SHOWN = 15  # lines before the next step scrolls away


def _tell(common: Common, counts: dict[str, int], places: list[tuple[str, str]]) -> None:
    known = counts["modelled"] + counts["harmless"]
    common.say(
        f"{count(counts['parts'], 'part')} on {count(counts['nets'], 'net')}: {known} told by the files, "
        f"{counts['not_fitted']} not fitted, "
        f"{count(len(places), 'place')} to fill in"
    )
    for at, what in places[:MOST_SHOWN]:
        common.say(f"  {at}: {what}")
    if len(places) > MOST_SHOWN:
        common.say(f"  and {len(places) - MOST_SHOWN} more: look for FILL IN in board.toml")


def _texts(folder: Path) -> dict[str, str]:
    templates = resources.files("wakeboard.sequences").joinpath("template")
    texts = {name: templates.joinpath(name).read_text(encoding="utf-8") for name in FILES}
    texts["board.toml"] = texts["board.toml"].replace('"My board"', f'"{_board_name(folder)}"', 1)
    return {**texts, ".gitignore": GITIGNORE}


def _bench(template: str, board: str) -> str:
    """The bench of the template with this board's supplies, one channel each, and without a link that it has not."""
    import tomllib

    from wakeboard.harness.drawings.boardfile.draft import toml

    tables = tomllib.loads(board)
    feeds = toml({str(channel): name for channel, name in enumerate(tables.get("supplies", {}), 1)})
    text = template.replace('feeds = { 1 = "USB" }                         ', f"feeds = {feeds}")
    head, mark, links = text.partition("[links.console]")
    if not tables.get("links"):
        links = "\n".join(line if line.startswith("#") or not line else f"# {line}" for line in links.split("\n"))
        mark = f"# {mark}"
    return head + mark + links


def _board_name(folder: Path) -> str:
    name = "".join(each for each in folder.resolve().name if each.isprintable() and each not in '"\\')
    return name or "My board"


def _refuse_to_overwrite(folder: Path, texts: dict[str, Any]) -> None:
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
