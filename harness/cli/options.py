"""What all commands share: --json, --db, --no-input, where text goes, and help that leads with examples.

    @command(examples=["wakeboard review board.toml"])
    @click.argument("board")
    @common_options
    def command(common: Common, board: str) -> int | None:
        '''Find what is wrong with a design before anything is powered.'''
        common.say("…")           # for a person: standard output, or standard error under --json
        common.emit({...})        # the one JSON document; does nothing without --json
        return Exit.FAILED        # None or Exit.GOOD: all is well

(In a command's own module the decorator is imported under another name:
`from wakeboard.harness.cli.options import command as wakeboard_command`.)
"""

from __future__ import annotations

import functools
import json
import math
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.fitting import fitted
from wakeboard.results.continued import continued
from wakeboard.results.visible import VisibleStream, plain_json, shown

if TYPE_CHECKING:
    from rich.console import Console

DATABASE = "wakeboard.db"


@dataclass(frozen=True)
class Common:
    """The options that every command takes."""

    json: bool = False
    db: str | None = None
    no_input: bool = False

    @property
    def interactive(self) -> bool:
        """Whether a question may be asked: a person is there to answer."""
        return not self.no_input and sys.stdin is not None and sys.stdin.isatty()

    def database(self, board_file: str | os.PathLike[str] | None = None) -> str:
        """--db, or `wakeboard.db` beside the board file (in the working directory where there is none)."""
        if self.db:
            return self.db
        return str((Path(board_file).parent if board_file else Path()) / DATABASE)

    def say(self, text: str = "") -> None:
        """Text for a person; standard error under --json, so that standard output is one document."""
        click.echo(fitted(shown(text), sys.stderr if self.json else sys.stdout), err=self.json, color=colour())

    def ask(self, question: str, default: str) -> str:
        """What the person at the terminal answers, on standard error; the default for nothing."""
        return str(click.prompt(question, default=default, err=True))

    def note(self, text: str) -> None:
        """What is not a result: progress, hints, the next command to try. Standard error."""
        click.echo(fitted(shown(text), sys.stderr), err=True, color=colour())

    def caution(self, text: str) -> None:
        """What a person should know before anything is energised, within 79 columns. Standard error."""
        import textwrap

        self.note(textwrap.fill(text, 79, initial_indent="! ", subsequent_indent="  "))

    def emit(self, document: object) -> None:
        """The one JSON document of a command, where --json was given."""
        if self.json:
            click.echo(to_json(document))

    def console(self) -> Console:
        """A rich console on the stream that `say` uses; plain where it is no terminal or NO_COLOR is set."""
        from rich.console import Console

        stream: Any = VisibleStream(sys.stderr if self.json else sys.stdout)
        return Console(file=stream, highlight=False, markup=False)


def to_json(document: object) -> str:
    """JSON text; NaN and infinities, which JSON has no words for, become null."""
    return plain_json(json.dumps(_finite(document), ensure_ascii=False, indent=2, default=str))


def _finite(node: object) -> object:
    if isinstance(node, float) and not math.isfinite(node):
        return None
    if isinstance(node, dict):
        return {str(key): _finite(value) for key, value in node.items()}
    if isinstance(node, (list, tuple)):
        return [_finite(value) for value in node]
    return node


def colour() -> bool | None:
    """False where the environment asks for none (NO_COLOR not empty, TERM=dumb); None: as the terminal can."""
    return False if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" else None


def common_options(function: Callable[..., object]) -> Callable[..., object]:
    """Adds the shared options; the function gets them as its keyword `common`."""

    @click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
    @click.option("--db", metavar="FILE", help="The file of results. Default: wakeboard.db beside the board file.")
    @click.option("--no-input", is_flag=True, help="Never ask; take the careful answer.")
    @functools.wraps(function)
    def with_common(*args: object, as_json: bool, db: str | None, no_input: bool, **options: object) -> object:
        return function(*args, common=Common(as_json, db, no_input), **options)

    return with_common


class _Examples(click.Command):
    """Help that leads with examples."""

    examples: Sequence[str] = ()

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        if self.examples:
            with formatter.section("Examples"):
                for example in self.examples:
                    for line in continued(example, formatter.width - formatter.current_indent):
                        formatter.write(f"{'':{formatter.current_indent}}{line}\n")
        super().format_help_text(ctx, formatter)


class ExampleCommand(_Examples):
    """A command whose help leads with examples."""


def command(examples: Sequence[str] = (), **attributes: Any) -> Callable[[Callable[..., object]], click.Command]:
    """`click.command` with examples, `-h`, and plain text kept within 100 columns."""

    def decorate(function: Callable[..., object]) -> click.Command:
        made = click.command(cls=ExampleCommand, context_settings=CONTEXT, **attributes)(function)
        made.examples = tuple(examples)
        return made

    return decorate


class ExampleGroup(_Examples, click.Group):
    """A group of commands whose help leads with examples; `sub` makes one of its commands, with an example."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The first sentence of each, whole: click cuts what is wider than one line."""
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, self.commands[name].get_short_help_str(limit=1000)) for name in self.list_commands(ctx)]
            )

    def sub(self, name: str, example: str) -> Callable[[Callable[..., object]], click.Command]:
        def decorate(function: Callable[..., object]) -> click.Command:
            made = command(examples=[example], name=name)(function)
            self.add_command(made)
            return made

        return decorate


def group(examples: Sequence[str]) -> Callable[[Callable[..., object]], ExampleGroup]:
    """`click.group` with examples and `-h`."""

    def decorate(function: Callable[..., object]) -> ExampleGroup:
        made = click.group(cls=ExampleGroup, context_settings=CONTEXT)(function)
        made.examples = tuple(examples)
        return made

    return decorate


CONTEXT: dict[str, object] = {"help_option_names": ["-h", "--help"], "max_content_width": 100}
