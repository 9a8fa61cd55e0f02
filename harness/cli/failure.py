"""The one place that turns an exception into text for a person, a JSON document for a script, and an exit code."""

from __future__ import annotations

import datetime
import io
import os
import sys
import traceback
from pathlib import Path

import click

from wakeboard.harness.cli.exits import Exit, exit_code
from wakeboard.harness.cli.fitting import fitted
from wakeboard.harness.cli.options import colour, to_json
from wakeboard.results.passwords import safe_url
from wakeboard.results.visible import shown

_LOUD = "OUTPUTS NOT CONFIRMED OFF"


def tell(error: BaseException, *, as_json: bool) -> Exit:
    """Say what went wrong and return the exit code. Nothing raised here hides the error itself."""
    code = exit_code(error)
    if code is None:
        code = Exit.INTERNAL
        text = _unexpected(error)
    else:
        text = str(error) or type(error).__name__
    text = safe_url(text)
    if isinstance(error, KeyboardInterrupt):
        text = "stopped"
    if code is Exit.OUTPUTS_ON:
        _loud()
    notes = [
        str(each) for each in getattr(error, "__notes__", ())
    ]  # whether outputs are off, where a run was broken off
    _print_error("\n".join([text, *notes]), wanted=code is Exit.STOPPED)
    if as_json:
        click.echo(to_json({"error": "\n".join([text, *notes]), "exit": int(code), **_details(error)}))
    return code


def tell_usage(error: click.ClickException) -> None:
    """What click says of a wrong option, broken between words."""
    says = io.StringIO()
    error.show(file=says)
    click.echo(fitted(shown(says.getvalue()), sys.stderr), err=True, nl=False)


def _print_error(text: str, wanted: bool = False) -> None:
    """wanted: a person's stop, which is no error and not called one."""
    word = "" if wanted else "error:" + ("\n" if "\n" in text else " ")
    if word:
        click.secho(word, err=True, fg="red", bold=True, nl=False, color=colour())
    click.echo(fitted(word + shown(text), sys.stderr).removeprefix(word), err=True)


def _loud() -> None:
    bar = "!" * (len(_LOUD) + 6)
    click.secho(f"{bar}\n!! {_LOUD} !!\n{bar}", err=True, fg="red", bold=True, color=colour())
    click.echo("Switch the supply off at its front panel, or pull its leads, before touching anything.", err=True)
    click.echo("From here, `wakeboard off BENCH` tries again and says what each output answers.", err=True)


def _details(error: BaseException) -> dict[str, object]:
    as_json = getattr(error, "as_json", None)
    details = as_json() if callable(as_json) else {}
    return details if isinstance(details, dict) else {}


def _unexpected(error: BaseException) -> str:
    text = "".join(traceback.format_exception(error))
    short = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    try:
        path = _keep(text)
    except OSError:
        return f"something unexpected went wrong, a mistake in Wakeboard itself: {short}\n{text}"
    return f"something unexpected went wrong, a mistake in Wakeboard itself: {short}\nthe whole story is in {path}"


def _keep(text: str) -> Path:
    """The traceback in a file of its own in the state directory."""
    import platformdirs

    folder = Path(platformdirs.user_state_dir("wakeboard", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
    typed = [safe_url(each) for each in sys.argv]
    path = folder / f"error-{stamp}-{os.getpid()}.txt"
    path.write_text(f"{sys.version}\n{typed}\n\n{safe_url(text)}", encoding="utf-8", errors="backslashreplace")
    return path
