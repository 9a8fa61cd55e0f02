"""`wakeboard parts`: the catalogue of part kinds, and entries of the part book."""

from __future__ import annotations

from pathlib import Path

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

EXAMPLES = [
    "wakeboard parts",
    "wakeboard parts ldo",
    "wakeboard parts book",
    "wakeboard parts new U3 --from board.toml",
]


@wakeboard_command(examples=EXAMPLES)
@click.argument("what", required=False, metavar="[KIND | book | new]")
@click.argument("part", required=False, metavar="[PART]")
@click.option("--from", "board", metavar="BOARD", help="With new: the board file in which the part was filled in.")
@click.option("--page", is_flag=True, help="The whole catalogue as Markdown.")
@click.option("--own", is_flag=True, help="With new: for all of your boards, not only this one.")
@common_options
def command(common: Common, what: str | None, part: str | None, board: str | None, page: bool, own: bool) -> int:
    """Show the part kinds, the keys of one with units and defaults, or the part book.

    `wakeboard parts new PART --from BOARD` turns a part that you filled in once into an entry of the part book, in
    parts/ beside the board or, with --own, in your own folder; `wakeboard new` then knows that part on every drawing.
    """
    if page:
        from wakeboard.harness.drawings.parts.catalogue import page as whole

        click.echo(whole(), nl=False)
        return Exit.GOOD
    if what == "new":
        return _new(common, part, board, own)
    if part or board or own:
        raise click.UsageError("a PART, --from and --own go with: wakeboard parts new")
    if what == "book":
        return _book(common)
    return _kind(common, what) if what else _kinds(common)


def _kinds(common: Common) -> int:
    from wakeboard.harness.describe.board.parts import board_kinds

    kinds = board_kinds()
    width = max(map(len, kinds))
    for name, kind in sorted(kinds.items()):
        common.say(f"{name:<{width}}  {kind.says}")
    common.note("one of them in full: wakeboard parts KIND")
    common.emit({"kinds": {name: kind.says for name, kind in sorted(kinds.items())}})
    return Exit.GOOD


def _kind(common: Common, name: str) -> int:
    from wakeboard.harness.describe.board.parts import board_kinds
    from wakeboard.harness.describe.problems import nearest, one_of
    from wakeboard.harness.drawings.parts.catalogue import as_json, lines

    kinds = board_kinds()
    if name not in kinds:
        hint = nearest(name, kinds)
        raise click.UsageError(f"there is no part kind {name!r}; {hint or one_of(kinds, 40)}")
    for line in lines(kinds[name]):
        common.say(line)
    common.emit(as_json(kinds[name]))
    return Exit.GOOD


def _book(common: Common) -> int:
    from wakeboard.harness.drawings.parts.book import Book, own_folder

    entries = Book.beside(Path()).entries
    for entry in entries:
        common.say(f"{entry.name}: {entry.says or entry.kind} ({entry.file})")
    common.note(f"your own entries for all boards: {own_folder()}")
    common.emit({"entries": [{"name": e.name, "kind": e.kind, "says": e.says, "file": e.file} for e in entries]})
    return Exit.GOOD


def _new(common: Common, part: str | None, board: str | None, own: bool) -> int:
    from wakeboard.harness.drawings.parts.book_entry import add_entry

    if not part or not board:
        raise click.UsageError("say which part of which board: wakeboard parts new U3 --from board.toml")
    file, name = add_entry(Path(board), part, own=own)
    common.say(f"wrote {name} to {file}")
    common.emit({"entry": name, "file": str(file)})
    return Exit.GOOD
