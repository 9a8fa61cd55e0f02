"""The command line: `wakeboard COMMAND`. One file a command; each is loaded only when it runs.

What people and scripts rely on (commands, options, exit codes, JSON keys) is described in README.md. Errors become text
and exit codes in `wakeboard.harness.cli.failure`, and nowhere else.
"""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

import click

from wakeboard.harness.cli.exits import MEANS, Exit
from wakeboard.harness.cli.options import CONTEXT, colour
from wakeboard.harness.cli.table import COMMANDS, Entry
from wakeboard.instruments.own_code import keep_out

EXAMPLES = (
    "wakeboard demo",
    "wakeboard new my-board",
    "wakeboard run my-board/first-power-on.toml --unit SN-001",
)


class LazyGroup(click.Group):
    """A group that knows its commands from a table, and loads a command's module only to run it."""

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: object
    ) -> click.Context:
        return super().make_context(info_name, args, parent, **{"color": colour(), **extra})

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(available())

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = available().get(cmd_name)
        if entry is None:
            return None
        found: click.Command = importlib.import_module(entry.module).command
        found.name = cmd_name
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in available() and not name.startswith("-"):
            ctx.fail(_unknown(name))
        return super().resolve_command(ctx, args)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(int(code)), words) for code, words in MEANS.items()])

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Examples"):
            for example in EXAMPLES:
                formatter.write_text(example)
        super().format_help_text(ctx, formatter)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        commands = available()
        width = max(map(len, COMMANDS))
        for title in dict.fromkeys(entry.group for entry in commands.values()):
            with formatter.section(title):
                formatter.write_dl(
                    [(name.ljust(width), entry.summary) for name, entry in commands.items() if entry.group == title]
                )

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:  # the reader went away (`wakeboard unit | head`): no message can reach it
            sys.stdout = open(os.devnull, "w")  # noqa: SIM115  lives until the interpreter's last flush
            return Exit.STOPPED


def available() -> dict[str, Entry]:
    """The commands of the table whose module is installed."""
    return {name: entry for name, entry in COMMANDS.items() if importlib.util.find_spec(entry.module) is not None}


def _unknown(name: str) -> str:
    near = difflib.get_close_matches(name, available(), n=1)
    hint = f" Did you mean '{near[0]}'?" if near else " `wakeboard --help` lists them."
    return f"there is no command '{name}'.{hint}"


def _show_version(ctx: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from importlib.metadata import PackageNotFoundError, version

        try:
            click.echo(f"wakeboard {version('wakeboard')}")
        except PackageNotFoundError:
            click.echo("wakeboard (not installed)")
        ctx.exit()


@click.group(cls=LazyGroup, context_settings=CONTEXT)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_show_version, help="Show the version."
)
def group() -> None:
    """Wakes new circuit boards up without letting the smoke out.

    For extra-low-voltage boards only. `wakeboard demo` needs no hardware.
    """


def execute(args: Sequence[str]) -> int:
    """Run one command line (without the program's name) and return its exit code. Never raises."""
    _ask_about_own_code(args)
    try:
        return _as_code(group.main(args=list(args), prog_name="wakeboard", standalone_mode=False))
    except click.ClickException as error:
        from wakeboard.harness.cli.failure import tell_usage

        tell_usage(error)
        return error.exit_code
    except click.Abort:
        return _tell(KeyboardInterrupt(), args)
    except SystemExit as stop:
        return _as_code(stop.code)
    except BaseException as error:  # noqa: BLE001  the last place that can turn it into a message
        return _tell(error, args)


def _ask_about_own_code(args: Sequence[str]) -> None:
    """A board's own code is run only when the person at this terminal agrees; nobody is asked in a script."""
    from wakeboard.harness.describe.own import ask_with

    asked = sys.stdin.isatty() and sys.stderr.isatty() and not {"--no-input", "--json"} & set(args)
    ask_with(_may_run if asked else None)


def _may_run(file: Path, digest: str) -> bool:
    click.echo(f"{file} is code that the board brings along; it was not run here before (SHA-256 {digest}).", err=True)
    return click.confirm("It runs with your rights. Have you read it, and may it run?", default=False, err=True)


def _tell(error: BaseException, args: Sequence[str]) -> int:
    from wakeboard.harness.cli.failure import tell

    return int(tell(error, as_json="--json" in args))


def _as_code(result: object) -> int:
    if result is None:
        return int(Exit.GOOD)
    return int(result) if isinstance(result, int) else int(Exit.INTERNAL)


def main(args: Sequence[str] | None = None) -> NoReturn:
    """The console script."""
    keep_out()
    _one_blas_thread()
    _speak_utf8()
    sys.exit(execute(sys.argv[1:] if args is None else args))


def _one_blas_thread() -> None:
    """A board's matrices are far too small to share out: with threads of its own the linear algebra waits for itself.

    Numpy reads it when it is first imported, which no command has done yet; processes that a command starts inherit it.
    Who sets the variable keeps the own value. What it costs otherwise: harness/explain/reliability.md.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _speak_utf8() -> None:
    """Ω and µ must not end a run with an encoding error on a terminal that cannot show them."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
