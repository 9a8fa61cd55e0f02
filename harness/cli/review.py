"""`wakeboard review`: what is wrong with a design before anything is powered."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count

if TYPE_CHECKING:
    from wakeboard.harness.review.concern import Concern


MOST_ALSO = 4  # of what the same mistake brings with it, shown


@wakeboard_command(examples=["wakeboard review board.toml", "wakeboard review board.toml --json"])
@click.argument("board")
@common_options
def command(common: Common, board: str) -> int:
    """Solve a design in every combination of supplies and switched rails, and say what concerns.

    Each concern has its rule, the parts on the way, the state in which it is worst, the number that shows it, and what
    to do. Exit code 1 when one is serious. What the drawing leaves open is asked after them, with what settles it.
    A review without concerns says nothing of the boards that come back.
    """
    from wakeboard.harness.describe.load import load_board
    from wakeboard.harness.review.review import as_json, review

    design = load_board(board)
    if not design.parts:
        raise click.UsageError(
            f"{board} has no [parts]: add the parts of the schematic, then there is a circuit to review"
        )
    found = review(design)
    concerns = found.concerns
    _show(common, f"{design.name} revision {design.revision}", concerns)
    if found.unsolved:
        common.console().print(
            f"\n{len(found.unsolved)} of {found.states + len(found.unsolved)} states have no operating point that was "
            f"found, and nothing is said of them: {found.unsolved[0]}" + (", …" if len(found.unsolved) > 1 else "")
        )
    _ask(common, found.questions)
    asked = [question.as_json() for question in found.questions]
    common.emit({**as_json(design, concerns), "questions": asked, "unsolved": list(found.unsolved)})
    return Exit.FAILED if any(concern.serious for concern in concerns) else Exit.GOOD


def _ask(common: Common, questions: list[Concern]) -> None:
    """What no rule can say while the drawing is silent: no concern, and no word of the exit code."""
    from rich.padding import Padding
    from rich.text import Text

    console = common.console()
    if questions:
        console.print(f"\n{count(len(questions), 'question')} that the drawing leaves open:")
    for question in questions:
        console.print(
            Padding(Text(f"- {question.says}\n  what settles it: {question.settles}"), (0, 0, 0, 3), expand=False)
        )


def _show(common: Common, title: str, concerns: list[Concern]) -> None:
    from rich.padding import Padding
    from rich.text import Text

    console = common.console()
    serious = sum(concern.serious for concern in concerns)
    if not concerns:
        console.print(f"{title}: no concern in any state solved. What was not drawn was not solved.")
        return
    console.print(f"{title}: {count(len(concerns), 'concern')}, {serious} serious")
    for number, concern in enumerate(concerns, 1):
        head = Text(f"\n{number}. {concern.rule}", style="bold")
        head.append(" (serious)" if concern.serious else " (minor)")
        console.print(head)
        for label, text in (
            ("", concern.says),
            ("state: ", concern.state),
            ("through: ", " → ".join(concern.path)),
            ("do: ", concern.do),
        ):
            if text:
                console.print(Padding(Text(label + text), (0, 0, 0, 3), expand=False))
        for follows in concern.also[:MOST_ALSO]:
            console.print(Padding(Text(f"with it: {follows.says} ({follows.rule})"), (0, 0, 0, 3), expand=False))
        if len(concern.also) > MOST_ALSO:
            console.print(
                Padding(Text(f"with it: {len(concern.also) - MOST_ALSO} more, see --json"), (0, 0, 0, 3), expand=False)
            )
