"""What stands in a board report's head: whether anything real was measured, what was not tested, names that mean one
thing."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from wakeboard.results.compare.grid import powered
from wakeboard.results.records import RunRecord
from wakeboard.results.report.text import and_list

FEW: Final = 8  # names in a sentence


def never_powered(record: RunRecord) -> bool:
    """Whether no supply was ever on in this run, as far as its readings tell."""
    switched = any(step.trace and step.trace.supplies for step in record.steps)
    return not switched and not any(powered(reading.state) for _, reading in record.readings())


def simulated(records: Sequence[RunRecord]) -> str:
    """A sentence where runs were made on the virtual bench."""
    virtual = [record for record in records if record.start.virtual]
    if not virtual:
        return ""
    if len(virtual) == len(records):
        return "Simulated: every reading here is the virtual bench's, a model of the circuit. No board was measured."
    units = and_list(list(dict.fromkeys(record.unit for record in virtual)))
    return f"Partly simulated: the readings of {units} come from the virtual bench, a model of the circuit."


def not_tested(records: Sequence[RunRecord], short: Mapping[str, str]) -> str:
    """What these runs leave out, in one sentence; empty without runs."""
    left = list(_left_out(records, short))
    return f"Not tested: {'; '.join(left)}." if left else ""


def _left_out(records: Sequence[RunRecord], short: Mapping[str, str]) -> Iterator[str]:
    if not records:
        return
    whole: dict[str, int] = {}
    for record in records:
        whole[record.sequence] = max(whole.get(record.sequence, 0), len(_done(record)))
    for record in records:
        if len(_done(record)) < whole[record.sequence]:
            dark = " and it was never powered" if never_powered(record) else ""
            done = f"{len(_done(record))} of {whole[record.sequence]} steps were done"
            yield f"{short.get(record.unit, record.unit)} beyond its first steps ({done}{dark})"
    yield from _never_measured(records)
    states = {reading.state for record in records for _, reading in record.readings()}
    if not any(_driven(state) for state in states):
        yield "any state in which a processor pin drives a line or switches a rail on"
    if not any(state.count("@") > 1 for state in states):
        yield "two supplies at once"
    yield "whatever no step of the sequence asks for: functions, load, temperature, time"


def _done(record: RunRecord) -> list[int]:
    return [step.number for step in record.steps if step.outcome != "skipped"]


def _driven(state: str) -> bool:
    """Whether something else than a supply and a load is named: "USB=5V@120mA; U1.GPIO7=high"."""
    return any("=" in part and "@" not in part and "load=" not in part for part in state.split(";"))


def _never_measured(records: Sequence[RunRecord]) -> Iterator[str]:
    measured = {reading.of for record in records for _, reading in record.readings()}
    nets = [net for _, net in _names(records[-1]) if net not in measured]
    if nets:
        few = list(dict.fromkeys(nets))
        yield and_list(few[:FEW] + ([f"{len(few) - FEW} more nets"] if len(few) > FEW else [])) + " (never measured)"


def other_names(records: Sequence[RunRecord]) -> str:
    """Where the board file calls a rail or line otherwise than its net: both names, once."""
    pairs = [f"{name} is {net}" for name, net in (_names(records[-1]) if records else []) if name != net]
    return f"One thing, two names (of the rail or line, and of its net): {', '.join(pairs)}." if pairs else ""


def _names(record: RunRecord) -> list[tuple[str, str]]:
    """(name, net) of each rail and line of the board file that the run kept."""
    try:
        board = tomllib.loads(record.start.board_text)
    except tomllib.TOMLDecodeError:
        return []
    tables: list[object] = [board.get("rails"), board.get("lines")]
    return [
        (str(name), str(entry.get("net") or name))
        for table in tables
        if isinstance(table, Mapping)
        for name, entry in table.items()
        if isinstance(entry, Mapping)
    ]
