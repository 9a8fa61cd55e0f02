"""`wakeboard compare`: the units of a board side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import click

from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from rich.console import Console

    from wakeboard.results.compare.compare import CheckRow, Comparison
    from wakeboard.results.compare.history import Drift, ReworkEffect
    from wakeboard.results.compare.table import ReadingTable

COLUMNS = 6  # units side by side in 80 columns; of more, only those with something to show are named


@wakeboard_command(
    examples=[
        "wakeboard compare board.toml",
        "wakeboard compare board.toml --check RADIO_RST --all",
        "wakeboard compare board.toml --rework --drift --json",
    ]
)
@click.argument("board")
@click.option("--sequence", metavar="TITLE", help="Only runs of this sequence.")
@click.option("--check", "wanted", metavar="TEXT", help="Only checks that contain this: a net, a quantity, a supply.")
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="All checks, also those with nothing to show.",
)
@click.option("--reference", metavar="SN", help="A unit known to be good: what is outside in it too is the bench.")
@click.option("--rework", is_flag=True, help="What each rework changed: the run before against the run after.")
@click.option("--drift", is_flag=True, help="What changes as time goes by, over all runs.")
@click.option("--statistics", is_flag=True, help="Mean, sd, capability and the limits that the units would give.")
@common_options
def command(
    common: Common,
    board: str,
    sequence: str | None,
    wanted: str | None,
    everything: bool,
    reference: str | None,
    rework: bool,
    drift: bool,
    statistics: bool,
) -> None:
    """Put the units of a board side by side: what is outside its limits in all, in some, in one.

    Every judgement of each unit's last finished run of each sequence counts; what a rework mended is told too. Outside
    in every unit: look at the design, BOM, reel or a part's property. In one: look at its assembly. In the reference
    unit too: look at the bench. "Unlike the others" is said of readings that stand apart, limits or not. BOARD is a
    board file, its folder, or a board's name.
    """
    from wakeboard.harness.cli.board_ref import board_of, must_have
    from wakeboard.harness.cli.opened import opened
    from wakeboard.results.compare.compare import compare
    from wakeboard.results.compare.table import judged_runs, table_of_store

    name, file = board_of(board)
    with opened(common, str(file) if file else None) as store:
        must_have(store, name)
        table = table_of_store(store, name, sequence=sequence, latest=not (rework or drift))
    if not table.runs:
        raise click.UsageError(f"no run of the sequence '{sequence}' with {name}")
    if reference is not None and reference not in table.units:
        raise click.UsageError(f"the reference unit '{reference}' has no run; units: {', '.join(table.units[:8])}")
    comparison = compare(table.of_runs(judged_runs(table.runs)), reference)
    rows = _chosen(comparison, wanted, everything)
    if not common.json:
        _show(common, comparison, rows, wanted)
    document = comparison.as_json() if common.json else {}
    _more(common, document, table, comparison, rows, rework=rework, drift=drift, statistics=statistics)
    common.emit(document)


def _chosen(comparison: Comparison, wanted: str | None, everything: bool) -> list[CheckRow]:
    rows = [row for row in comparison.checks if wanted is None or wanted.lower() in row.check.text.lower()]
    if wanted is not None and not rows:
        raise click.UsageError(f"no check contains '{wanted}'; `--all` shows what there is")
    told = rows if everything else [row for row in rows if {*row.counted} & {*row.outside, *row.unlike}]
    states = list(dict.fromkeys(_state(row) for row in told))
    return sorted(told, key=lambda row: states.index(_state(row)))  # each bench state under one heading


def _state(row: CheckRow) -> str:
    from wakeboard.results.report.text import state_words

    return state_words(row.check.state)


def _show(common: Common, c: Comparison, rows: Sequence[CheckRow], wanted: str | None) -> None:
    console = common.console()
    console.print(f"{c.board}: {count(len(c.units), 'unit')}, {count(len(c.checks), 'check')}")
    if len(c.units) <= COLUMNS:
        _side_by_side(console, c, rows)
    else:
        _odd_units(console, c, rows)
    if not rows:
        console.print(
            "Nothing is outside its limits or unlike the others. That is what was measured, not that a board is safe."
        )
    if wanted is None:
        _sorted(console, c)
    console.print()
    console.print(c.says)


def _side_by_side(console: Console, c: Comparison, rows: Sequence[CheckRow]) -> None:
    from wakeboard.results.report.text import short_units

    short = {unit: visible(text) for unit, text in short_units(c.units).items()}
    state = None
    for row in rows:
        if _state(row) != state:
            state = _state(row)
            console.print(f"\n{state or 'nothing powered'}", style="bold")
            console.print(" " * 27 + "".join(f"{short[u][:9]:>10}" for u in c.units), style="dim")
        name = f"{row.check.of} {row.check.quantity}"
        name = name if len(name) <= 25 else name[:24] + "…"
        cells = [_cell(row, i, unit) for i, unit in enumerate(c.units)]
        console.print(_line(f"  {name:<25}", cells))
    if rows:
        console.print("\n! outside  ~ marginal  * unlike the others  ( ) rails bad: tells nothing")


def _line(name: str, cells: Sequence[tuple[str, str]]) -> object:
    from rich.text import Text

    line = Text(name)
    for text, style in cells:
        line.append(f"{text:>10}", style=style)
    return line


def _cell(row: CheckRow, index: int, unit: str) -> tuple[str, str]:
    """A value with its sign: never by colour alone."""
    from wakeboard.results.report.text import show

    outcome = row.outcomes[index]
    if outcome is None:
        return "–", "dim"
    value = float(row.values[index])
    text = show(value, row.check.unit, 3).replace(" ", "") if math.isfinite(value) else _no_number(row, outcome)
    if unit not in row.counted:
        return f"({text})", "dim"
    if outcome == "fail":
        return f"{text}!", "bold red"
    if outcome == "marginal":
        return f"{text}~", "yellow"
    return (f"{text}*", "yellow") if unit in row.unlike else (text, "")


def _no_number(row: CheckRow, outcome: str) -> str:
    """What stands where there is no number: a meter shows none beyond its range, a console answers in words."""
    if row.check.unit:
        return "over rng"
    return "answer" if outcome == "pass" else "other"


def _odd_units(console: Console, c: Comparison, rows: Sequence[CheckRow]) -> None:
    from wakeboard.results.report.text import limits_words, show

    for row in rows[:40]:
        limits = limits_words(row.limits, row.check.unit)
        console.print(f"\n{_plain(row.check.text)}", style="bold")
        console.print(f"  median {show(row.median, row.check.unit)}" + (f", allowed {limits}" if limits else ""))
        for words, units in (("outside its limits", row.outside), ("unlike the others", row.unlike)):
            told = [unit for unit in units if unit in row.counted]
            if told:
                console.print(f"  {words} in {len(told)} of {len(row.counted)}: {_few(told)}")
        aside = len(row.outside) - len(set(row.outside) & set(row.counted))
        if aside:
            console.print(f"  and in {aside} whose rails were bad, which tells nothing", style="dim")
    if len(rows) > 40:
        console.print(f"\nand {len(rows) - 40} more checks; --check narrows, --json has all")


def _few(units: Sequence[str]) -> str:
    return ", ".join(map(visible, units[:4])) + (f" and {len(units) - 4} more" if len(units) > 4 else "")


def _plain(text: str) -> str:
    """A check's text with its bench state in words."""
    from wakeboard.results.report.text import check_words

    return visible(check_words(text))


def _sorted(console: Console, c: Comparison) -> None:
    for title, texts in (
        ("outside in the reference unit too: look at the bench", c.bench),
        ("outside in every unit: look at the design, BOM, reel or a part's property", _decided(c, c.common)),
        ("too near a limit to decide, in every unit: measure finer, or ask for what the design gives", _near(c)),
    ):
        if texts:
            console.print(f"\n{title}", style="bold")
            for text in texts:
                already = c.mended.get(text, ())
                console.print(f"  {_plain(text)}" + (f" (mended by rework in {_few(already)})" if already else ""))
    if c.several:
        console.print("\noutside or unlike in several units, not in all", style="bold")
        for text, units in c.several.items():
            mended = [unit for unit in units if unit in c.mended.get(text, ())]
            told = f" (mended by rework in {_few(mended)})" if mended else ""
            console.print(f"  {_plain(text)}: {_few(units)}{told}")
    _by_unit(console, "outside in one unit: look at its assembly", {u: c.outside(u) for u in c.single})
    _by_unit(console, "unlike the other units, within limits: where to look next", c.unlike)
    _by_unit(console, "mended by rework, so not listed above", _mended_alone(c))
    for unit, texts in c.follows.items():
        if texts and len(c.units) <= COLUMNS:
            console.print(
                f"  {visible(unit)}: {len(texts)} more may only follow from a rail that was not good", style="dim"
            )


def _decided(c: Comparison, texts: Sequence[str]) -> list[str]:
    return [text for text in texts if not c.too_near(text)]


def _near(c: Comparison) -> list[str]:
    return [text for text in c.common if c.too_near(text)]


def _mended_alone(c: Comparison) -> dict[str, list[str]]:
    """Unit -> checks that a rework mended and that no other unit shows."""
    found: dict[str, list[str]] = {}
    for text, units in c.mended.items():
        if text not in (*c.common, *c.bench, *c.several):
            for unit in units:
                found.setdefault(unit, []).append(text)
    return found


def _by_unit(console: Console, title: str, by_unit: Mapping[str, Sequence[str]]) -> None:
    told = {unit: texts for unit, texts in by_unit.items() if texts}
    if told:
        console.print(f"\n{title}", style="bold")
    for unit, texts in list(told.items())[:20]:
        more = f" and {len(texts) - 1} more" if len(texts) > 1 else ""
        console.print(f"  {visible(unit)}: {_plain(texts[0])}{more}")
    if len(told) > 20:
        console.print(f"  and {len(told) - 20} more units")


def _more(
    common: Common,
    document: dict[str, object],
    table: ReadingTable,
    comparison: Comparison,
    rows: Sequence[CheckRow],
    *,
    rework: bool,
    drift: bool,
    statistics: bool,
) -> None:
    """The parts that are asked for by an option of their own."""
    if rework:
        from wakeboard.results.compare.history import rework_effects

        effects = rework_effects(table)
        document["rework"] = [effect.as_json() for effect in effects]
        _show_rework(common, effects)
    if drift:
        from wakeboard.results.compare.history import drifts

        found = drifts(table)
        document["drift"] = [each.as_json() for each in found]
        _show_drift(common, found)
    if statistics:
        from wakeboard.harness.cli.compare_statistics import show_statistics, statistics_of
        from wakeboard.results.compare.good_units import GoodUnits

        numbers = statistics_of(rows, GoodUnits(comparison).values)
        document["statistics"] = numbers
        show_statistics(common, numbers)


def _show_rework(common: Common, effects: Sequence[ReworkEffect]) -> None:
    from wakeboard.results.report.text import show

    if common.json:
        return
    console = common.console()
    console.print("\nBefore and after rework", style="bold")
    if not effects:
        console.print("  no unit has runs of one sequence both before and after a rework")
    for e in effects:
        what = "; ".join([*e.added, *(f"undone: {text}" for text in e.removed)])
        console.print(f"  {visible(e.unit)}, {what}: {e.outcome_before} -> {e.outcome_after}")
        parts = (
            ("mended", e.mended),
            ("broken", e.broken),
            ("seen only now", e.revealed),
            ("still outside", [c for c in e.still_outside if c.outcome_after != "marginal"]),
            ("still too near to decide", [c for c in e.still_outside if c.outcome_after == "marginal"]),
        )
        for word, changes in parts:
            for change in changes[:8]:
                unit = change.check.unit
                values = f"{show(change.before, unit)} -> {show(change.after, unit)}"
                console.print(f"    {word}: {_plain(change.check.text)}: {values}")
            if len(changes) > 8:
                console.print(f"    {word}: and {len(changes) - 8} more", style="dim")
        if e.revealed:
            console.print("    (a rail was down in the run before: that pass told nothing)", style="dim")
        if e.untaken:
            untaken = count(e.untaken, "check was", "checks were")
            console.print(f"    {untaken} taken in one of the two runs only", style="dim")


def _show_drift(common: Common, found: Sequence[Drift]) -> None:
    from wakeboard.results.statistics.charts import chance_words

    if common.json:
        return
    console = common.console()
    console.print("\nIn the order of time (individuals charts, weighted averages)", style="bold")
    if not found:
        console.print("  nothing stands out; a check needs eight values or more")
    for each in found[:20]:
        console.print(f"  {_plain(each.check.text)}: {each.says}")
    if len(found) > 20:
        console.print(f"  and {len(found) - 20} more")
    if found:
        console.print(f"  {chance_words(max(len(each.chart.values) for each in found))}")
