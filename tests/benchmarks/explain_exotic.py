"""What `explain` says of failures that its library does not hold: is an innocent part blamed?

    python tests/benchmarks/explain_exotic.py [--draws 3] [--only WORD] [--table FILE]

Each failure is built into the board on the virtual bench while sequence and explain know the drawing only, or taken
from runs of several boards, step by step, for what changes in time. A trial is good where no group without the guilty
part (or a net that it sits on) gets more than half of the probability. "Not in this model" first is the plain answer;
a guilty part first, under another name of what is wrong with it, is told apart.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from explain_trials import Line, blamed, edited, put, table, touches

from wakeboard.harness.explain.explaining import Explanation, explain_case
from wakeboard.harness.explain.naming import words
from wakeboard.harness.explain.unit.cases import Case
from wakeboard.results.records import RunRecord

PARTS = "# USB: connector, terminations"  # a line of the board file before which parts may be added


@dataclass(frozen=True)
class Exotic:
    """A failure: (old, new) texts of the board file; `turns`: further ones that it is at in other steps.

    ("plant", fault) plants a fault instead.
    """

    what: str
    guilty: tuple[str, ...]
    edits: tuple[tuple[str, str], ...]
    turns: tuple[tuple[str, str], ...] = ()


def _added(*parts: str) -> tuple[tuple[str, str], ...]:
    return ((PARTS, "\n".join([*parts, PARTS])),)


def _zener(net: str, volts: str) -> str:
    return f'DX = {{ kind = "zener", volts = "{volts}", at = "1 mA", pins = {{ A = "GND", K = "{net}" }} }}'


U2_VOLTS = 'volts = "3.3 V ± 2 %", dropout'
R14 = 'R14 = { kind = "resistor", value = "10k", tolerance = "1 %", pins = ["+3V3", "FLASH_CS"] }'

EXOTIC = [
    Exotic("regulator swings between two set points", ("U2", "+3V3"), ((U2_VOLTS, 'volts = "3.31 V", dropout'),),
           ((U2_VOLTS, 'volts = "2.95 V", dropout'),)),
    Exotic("regulator drifts as it warms", ("U2", "+3V3"), ((U2_VOLTS, 'volts = "3.3 V", dropout'),),
           ((U2_VOLTS, 'volts = "3.2 V", dropout'), (U2_VOLTS, 'volts = "3.1 V", dropout'),
            (U2_VOLTS, 'volts = "3.0 V", dropout'))),
    Exotic("regulator limits at 7 mA", ("U2", "+3V3"), (('limit = "600 mA", lockout', 'limit = "7 mA", lockout'),)),
    Exotic(
        "1.8 V regulator with 80 Ω in its output",
        ("U6", "+1V8_RF"),
        (
            (
                'pins = { IN = "+3V3", OUT = "+1V8_RF", EN = "RF_EN"',
                'pins = { IN = "+3V3", OUT = "VX", EN = "RF_EN"',
            ),
            *_added('RX = { kind = "resistor", value = "80 Ω", pins = ["VX", "+1V8_RF"] }'),
        ),
    ),
    Exotic("pull-up with a diode's curve", ("R14", "FLASH_CS"),
           ((R14, 'R14 = { kind = "diode", drop = "0.75 V", at = "10 mA", pins = { A = "+3V3", K = "FLASH_CS" } }\n'
             'RX = { kind = "resistor", value = "47k", pins = ["FLASH_CS", "GND"] }'),)),
    Exotic("processor's pin with a Zener clamp of 2.2 V", ("U1", "U9", "FLASH_WP"),
           _added(_zener("FLASH_WP", "2.2 V"))),
    Exotic("radio's reset clamped at 1.6 V and pulled up", ("U5", "U1", "RADIO_RST"),
           _added(_zener("RADIO_RST", "1.6 V"),
                  'RX = { kind = "resistor", value = "6k8", pins = ["+3V3", "RADIO_RST"] }')),
    Exotic("nets far apart coupled by 3 kΩ", ("USB_DET", "FLASH_WP"),
           _added('RX = { kind = "resistor", value = "3k", pins = ["USB_DET", "FLASH_WP"] }')),
    Exotic("nets far apart coupled by a junction", ("RADIO_RST", "CON_RX"),
           _added('DX = { kind = "diode", drop = "0.7 V", at = "10 mA", pins = { A = "CON_RX", K = "RADIO_RST" } }')),
    Exotic("three nets joined by flux of 20 kΩ", ("SENS_EN", "MCU_RST", "SDA"),
           _added('RX = { kind = "resistor", value = "20k", pins = ["SENS_EN", "MCU_RST"] }',
                  'RY = { kind = "resistor", value = "20k", pins = ["SENS_EN", "SDA"] }')),
    Exotic("30 Ω in the USB fuse", ("F1", "VUSB"), (('ohms = "0.15 Ω", hold', 'ohms = "30 Ω", hold'),)),
    Exotic("load switch of 60 Ω", ("U3", "+3V3_SENS"), (('ohms = "80 mΩ"', 'ohms = "60 Ω"'),)),
    Exotic("inductor of 400 Ω", ("L1", "VA_SCALE"), (('ohms = "0.3 Ω"', 'ohms = "400 Ω"'),)),
    Exotic("flash's write protect sinks 250 µA", ("U9", "FLASH_WP"),
           ((R14, R14), ('WP = { type = "input", pulls = "none" }',
                         'WP = { type = "input", pulls = "none", leak = "-250 µA" }'))),
    Exotic("processor's pin sources 120 µA and parks at 2.2 V", ("U1", "SENS_EN"),
           (('GPIO12 = { type = "io", ', 'GPIO12 = { type = "io", leak = "120 µA", park = "2.2 V", '),)),
    Exotic("processor's driver of 4 kΩ", ("U1", "SENS_EN"),
           (('GPIO12 = { type = "io", ohms = "40 Ω"', 'GPIO12 = { type = "io", ohms = "4 kΩ"'),)),
    Exotic("processor draws 45 mA", ("U1", "+3V3"), (('draws = "8 mA ± 25 %"', 'draws = "45 mA"'),)),
    Exotic("charger draws 12 mA", ("U4", "VIN"), (('quiescent = "50 µA", enable', 'quiescent = "12 mA", enable'),)),
    Exotic("transistor with a threshold of 3 V", ("Q1", "VBAT", "VSYS"),
           (('threshold = "0.9 V"', 'threshold = "3.0 V"'),)),
    Exotic("power-path diode that drops 1.2 V", ("D3", "VSYS"),
           (('D3 = { kind = "schottky", drop = "0.50 V ± 8 %"', 'D3 = { kind = "schottky", drop = "1.2 V"'),)),
    Exotic("joint of the USB diode that opens now and then", ("D1", "F1", "VIN"), (), (("plant", "D1:missing"),)),
]  # fmt: skip


@dataclass
class Workshop:
    """Lines for each failure; the drawing's own line knows the model that all are explained by."""

    plain: Line

    @cached_property
    def made(self) -> dict[tuple[tuple[str, str], ...], Line]:
        return {(): self.plain}

    def line(self, edits: tuple[tuple[str, str], ...]) -> Line:
        if edits not in self.made:
            line = self.plain
            text = line.sequence.board.text
            for old, new in edits:
                if old not in text:
                    raise ValueError(f"{old!r} is not in the board file")
                text = text.replace(old, new, 1)
            self.made[edits] = edited(line, line.sequence.board.text, text)
        return self.made[edits]

    def run(self, exotic: Exotic, unit: str) -> RunRecord:
        """One run; of a failure that turns, the steps are taken from runs of each of its states in turn."""
        states = [exotic.edits, *((turn,) for turn in exotic.turns)]
        runs = [
            self.line(tuple(e for e in edits if e[0] != "plant")).run([e[1] for e in edits if e[0] == "plant"], unit)
            for edits in states
        ]
        first, rest = runs[0], runs[1:]
        if not rest:
            return first
        by_number = [{step.number: step for step in run.steps} for run in runs]
        steps = [by_number[k % len(runs)].get(step.number, step) for k, step in enumerate(first.steps)]
        return dataclasses.replace(first, steps=tuple(steps))


@dataclass(frozen=True)
class Verdict:
    what: str
    first: str
    probability: float
    innocent: float
    guilty_first: bool

    @property
    def good(self) -> bool:
        return self.innocent <= 0.5


def verdict(exotic: Exotic, found: Explanation) -> Verdict:
    best = found.groups[0]
    guilty = any(touches(text, exotic.guilty) for text in best.faults)
    return Verdict(exotic.what, best.name, best.probability, blamed(found, exotic.guilty), guilty)


def trials(draws: int, only: str = "") -> Iterator[Verdict]:
    shop = Workshop(Line.of())
    for exotic in EXOTIC:
        if only not in exotic.what:
            continue
        for draw in range(draws):
            run = shop.run(exotic, f"X{draw}")
            found = explain_case(Case(run, shop.plain.model), ask_next=False)
            yield verdict(exotic, found)


def section(done: list[Verdict], draws: int, seconds: float) -> str:
    by: dict[str, list[Verdict]] = {}
    for v in done:
        by.setdefault(v.what, []).append(v)
    good = sum(v.good for v in done)
    other = sum(v.first == words.OTHER for v in done)
    guilty = sum(v.guilty_first for v in done)
    none = sum(v.first == words.NONE for v in done)
    rows = []
    for what, each in by.items():
        worst = max(each, key=lambda v: v.innocent)
        firsts = dict.fromkeys(v.first for v in each)
        rows.append([what, f"{sum(v.good for v in each)} of {len(each)}", f"{worst.innocent:.0%}", "; ".join(firsts)])
    return (
        f"Made by `python tests/benchmarks/explain_exotic.py --draws {draws}`: {len(by)} failures that no fault of\n"
        f"the library is, {draws} units each, parts and instruments drawn anew ({seconds:.0f} s of processor time).\n\n"
        f"- at most 50 % on any group without the guilty part or its net: {good} of {len(done)}"
        f" ({good / max(len(done), 1):.0%})\n"
        f'- first: "{words.OTHER}" {other}, the guilty part or net under another name {guilty}, none {none}\n\n'
        + table(["failure", "good", "most on the innocent", "named first"], rows)
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--draws", type=int, default=3)
    parser.add_argument("--only", default="")
    parser.add_argument("--table", type=Path)
    options = parser.parse_args()
    started = time.process_time()
    done: list[Verdict] = []
    for v in trials(options.draws, options.only):
        print(
            f"{'good' if v.good else 'BAD '} {v.what}: {v.first} {v.probability:.2f}, innocent {v.innocent:.2f}",
            flush=True,
        )
        done.append(v)
    text = section(done, options.draws, time.process_time() - started)
    print(text)
    if options.table:
        put(options.table, "Failures outside the library", text)
