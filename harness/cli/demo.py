"""`wakeboard demo`: five units of an invented board on the virtual bench, from the review to the report."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command

if TYPE_CHECKING:
    from wakeboard.harness.demo.demo import Demo
    from wakeboard.results.records import RunRecord


@wakeboard_command(examples=["wakeboard demo", "wakeboard demo play --json"])
@click.argument("folder", default="skep-demo", type=click.Path(path_type=Path, file_okay=False))
@common_options
def command(common: Common, folder: Path) -> int:
    """Wake Skep's five units up on the virtual bench and leave a folder to play with.

    Skep is an invented beehive monitor, revision A, with two flaws in its design and one fault in each unit but the
    first. FOLDER must be new or empty; it gets the board, two sequences, what is planted in which unit, the results and
    a report.
    """
    from wakeboard.harness.demo.demo import Demo, conclude, explain_units, lay_out, review, run_units

    lay_out(folder)
    demo = Demo(folder)
    common.say(f"Skep's five units on the virtual bench; everything is kept in {folder}\n")
    _say_first_look(common, demo)
    _say_review(common, review(demo))
    common.say("\n2. First power-on of each unit, one source at a time, under a current limit")
    with closing(run_units(demo)) as runs:
        for unit, planted, record in runs:
            _say_run(common, unit, planted, record)
    common.say("\n3. Units side by side, and what explains the odd readings")
    _waiting(common, "explaining …")
    with closing(explain_units(demo)) as explained:
        for unit, document in explained:
            _say_explained(common, unit, document)
    conclude(demo)
    _say_conclusion(common, demo)
    common.emit(demo.as_json())
    return Exit.GOOD


def _say_first_look(common: Common, demo: Demo) -> None:
    """What plain Python sees of the design while the solver is compiled, on a machine that has not got it yet."""
    from wakeboard.harness.demo.demo import first_look

    for document in first_look(demo):
        names = ", ".join(document["supplies"])
        common.say(f"0. Until then: {names}, each on alone, with nothing driven, solved by plain Python")
        for concern in document["concerns"]:
            _wrap(common, f"{concern['rule']}: {concern['says']}", "   - ")
        if not document["concerns"]:
            common.say("   - no supply and no rail rises that should be off")
        common.say("")


def _waiting(common: Common, text: str) -> None:
    if sys.stderr.isatty() and not common.json:
        common.note(text)


def _say_review(common: Common, document: dict[str, Any]) -> None:
    common.say("1. On paper: the design in every combination of supplies and switched rails")
    for concern in document["concerns"]:
        _wrap(common, f"{concern['rule']}: {concern['says']}", "   - ")


def _say_run(common: Common, unit: str, planted: str, record: RunRecord) -> None:
    common.say(f"   {unit}  {(record.outcome or 'error').upper():8} ({planted})")
    for step in record.steps:
        odd = [reading for reading in step.readings if reading.outcome not in ("pass", "skipped")]
        if step.outcome in ("pass", "skipped") and not odd:
            continue
        seen = "; ".join(dict.fromkeys(_reading(reading) for reading in odd[:3]))
        more = f" and {len(odd) - 3} more" if len(odd) > 3 else ""
        _wrap(common, f"step {step.number}, {step.name}: {step.outcome}: {seen}{more}", "      ")


def _reading(reading: Any) -> str:
    from wakeboard.instruments.quantity import show

    if reading.value is None:
        return f"{reading.of} {reading.says or 'no value'}"
    return f"{reading.of} {show(reading.value, reading.unit)}"


def _say_explained(common: Common, unit: str, document: dict[str, Any]) -> None:
    from wakeboard.harness.explain.telling import percent

    candidates = document.get("candidates", [])
    if candidates:
        first = candidates[0]
        words = first.get("says") or first["fault"]
        _wrap(common, f"{unit}: {words} ({percent(first['probability'])})", "   ")


def _say_conclusion(common: Common, demo: Demo) -> None:
    says = demo.compare.get("says")
    if says:
        _wrap(common, says, "   ")
    common.say(f"\nReport: {demo.report}")
    common.say(f"Next:   cd {demo.folder}, then")
    common.say("        wakeboard review board.toml")
    common.say("        wakeboard explain --why")
    common.say("        wakeboard run bring-up.toml --unit SK-A-001")
    common.say("        wakeboard rehearse first-power-on.toml")


def _wrap(common: Common, text: str, indent: str) -> None:
    common.say(f"{indent}{text}")  # broken to the terminal's width, whole in a file (fitting.py)
