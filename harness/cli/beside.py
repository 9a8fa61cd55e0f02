"""The page beside the bench, for the commands that run: --page, its address on the terminal, and what it answers."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from wakeboard.harness.cli.options import Common
    from wakeboard.harness.describe.sequence.sequence import Sequence
    from wakeboard.harness.page.address import Place
    from wakeboard.harness.page.link import PageLink

LOOPBACK = "127.0.0.1:0"


def page_option(function: Callable[..., object]) -> Callable[..., object]:
    """--page [HOST:PORT]."""
    return click.option(
        "--page",
        "page_place",
        is_flag=False,
        flag_value=LOOPBACK,
        metavar="[HOST:PORT]",
        callback=no_file,
        help="Serve a page beside the bench: on this computer only, or at that address for a tablet.",
    )(function)


def no_file(_context: click.Context, option: click.Parameter, found: str | None) -> str | None:
    """What stands behind the option is its address, also where it was meant for the command."""
    if found is not None and found.endswith(".toml"):
        name = option.opts[0]
        raise click.UsageError(
            f"{name} took {found} for its address: write {name} last, before another option, or as {name}={LOOPBACK}"
        )
    return found


def place_of(text: str, option: str = "--page") -> Place:
    """Raises click.UsageError for what is no address."""
    from wakeboard.harness.page.address import BadPlace, parse_place

    try:
        return parse_place(text)
    except BadPlace as error:
        then = f". After {option} an address is expected, or another option." if option.startswith("--") else ""
        raise click.UsageError(f"{option}: {error}{then}") from None


@contextlib.contextmanager
def beside(common: Common, page_place: str | None, sequence: Sequence, **first: object) -> Iterator[PageLink | None]:
    """The page while the block runs; None where none was asked for."""
    if page_place is None:
        yield None
        return
    from wakeboard.harness.page.link import NoPage, PageLink
    from wakeboard.harness.page.picture import Picture
    from wakeboard.harness.page.stored import has_places

    place = place_of(page_place)
    board = sequence.board
    picture = Picture(
        title=sequence.title, board=f"{board.name} {board.revision}".strip(), map=has_places(str(board.file or "")),
        titles=[model.title for model in sequence.steps], **first,
    )  # fmt: skip
    try:
        link = PageLink(place, picture, store=common.database(board.file), board=str(board.file or ""),
                        alone=not common.interactive)  # fmt: skip
    except NoPage as error:
        raise click.UsageError(str(error)) from None
    with link:
        tell_address(common, link.address, link.code)

        def told_amid(address: str, code: str, why: str) -> None:
            common.note("")  # the line that is there may be a live view, without an end
            tell_address(common, address, code, why=why)

        link.tells = told_amid
        yield link


def tell_address(common: Common, address: str, code: str, name: str = "page", why: str = "") -> None:
    """Where the page is. The address is good for one device. why: it is told now."""
    if why:
        common.note(why)
    common.note(f"{name}: {address}")
    if code:
        common.note(f"code: {code}   (typed once; the page is not encrypted: use a network that is the bench's own)")
