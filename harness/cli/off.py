"""`wakeboard off`: every output of every supply off, now."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from wakeboard.harness.run.bench.switch_off import Heard

USUAL = "bench.toml"


@wakeboard_command(examples=["wakeboard off", "wakeboard off bench.toml"])
@click.argument("bench", required=False, type=click.Path(dir_okay=False))
@common_options
def command(common: Common, bench: str | None) -> int:
    """Switch every output of every supply off, and say what each answered.

    BENCH: the bench file; bench.toml of this folder where it is not given. Outputs that feed no supply of the board are
    switched off, too, and so are those of a supply that another program holds. Exit code 0: each is confirmed off; 6:
    one is not.
    """
    from wakeboard.harness.cli.exits import OutputsNotOff
    from wakeboard.harness.describe.load import load_bench
    from wakeboard.harness.run.bench.switch_off import switch_off

    if bench is None and not Path(USUAL).is_file():
        raise click.UsageError(
            f"which bench? There is no {USUAL} here. Until you know, switch the supply off at its front panel."
        )
    described = load_bench(bench or USUAL)
    heard = []
    for each in switch_off(described):
        heard.append(each)
        common.say(_line(each))
    doubtful = [each for each in heard if each.state != "off"]
    common.emit({"outputs": [each.as_json() for each in heard], "off": not doubtful})
    if not heard:
        raise click.UsageError('the bench file names no supply: [instruments.NAME] with kind = "psu"')
    if doubtful:
        raise OutputsNotOff(", ".join(f"{each.instrument} output {each.output}: {each.state}" for each in doubtful))
    return Exit.GOOD


def _line(each: Heard) -> str:
    style = {"off": "green", "on": "red"}.get(each.state, "yellow")
    word = click.style(f"{each.state:8}", fg=style, bold=each.state != "off")
    measured = "" if each.volts is None or each.amps is None else f"  {each.volts:.3f} V, {each.amps * 1e3:.1f} mA"
    return f"{word} {visible(each.instrument)} output {visible(each.output)}{measured}" + (
        f"  ({visible(each.says)})" if each.says else ""
    )
