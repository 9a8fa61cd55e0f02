"""`wakeboard smoke`: the production loop. Scan a serial number, run, large answer, next."""

from __future__ import annotations

import re
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from wakeboard.harness.cli.beside import beside, page_option
from wakeboard.harness.cli.exits import Exit
from wakeboard.harness.cli.options import Common, common_options
from wakeboard.harness.cli.options import command as wakeboard_command
from wakeboard.results.counted import count
from wakeboard.results.visible import plain_json, shown

if TYPE_CHECKING:
    from wakeboard.harness.describe.bench import Bench
    from wakeboard.harness.describe.sequence.sequence import Sequence as StepSequence
    from wakeboard.harness.page.link import PageLink
    from wakeboard.harness.run.guard.core import Sample
    from wakeboard.harness.run.hand.operator import Operator
    from wakeboard.harness.run.ports import Observer
    from wakeboard.harness.run.production import Tally
    from wakeboard.harness.run.runner import Result
    from wakeboard.results.records import Reading, Step
    from wakeboard.results.store.store import Store

COLOURS = {"pass": "green", "fail": "red", "tripped": "red", "marginal": "yellow", "error": "magenta"}
EXAMPLES = [
    "wakeboard smoke first-power-on.toml --bench bench.toml",
    "wakeboard smoke first-power-on.toml --bench bench.toml --serial 'SK-A-[0-9]{3}'",
    "wakeboard smoke first-power-on.toml --json < serial-numbers.txt",
]


@wakeboard_command(examples=EXAMPLES)
@click.argument("sequence", type=click.Path(dir_okay=False))
@click.option("--bench", "bench_file", metavar="BENCH", help="The bench file. Without one: the virtual bench.")
@click.option("--serial", metavar="PATTERN", help="The regular expression that a whole serial number matches.")
@click.option("--limit", type=click.IntRange(min=1), metavar="N", help="End after N runs.")
@click.option("--again", is_flag=True, help="Run units that passed today without asking.")
@click.option("--energise", is_flag=True, help="Stands for the key before power goes on, where nobody is there.")
@click.option("--operator", "operator_name", metavar="NAME", help="Who is at the bench. Default: the user's name.")
@page_option
@common_options
def command(
    common: Common,
    sequence: str,
    bench_file: str | None,
    serial: str | None,
    limit: int | None,
    again: bool,
    energise: bool,
    operator_name: str | None,
    page_place: str | None,
) -> int:
    """Scan a serial number, run the sequence, answer large, next: one line a unit, until the input ends.

    Serial numbers come from standard input, as a bar code scanner types them. A unit that passed this sequence today
    is asked about, and left alone where nobody may be asked (--again runs it). With --page they are scanned into the
    page, or typed at the terminal; with --no-input the page only shows. With --json each unit is one line, and the last
    line is the yield. Ctrl-C stops with the outputs off.

    Exit code 1 when a unit failed; 3 when the bench did; 2 when a line was no serial number and no unit failed.
    """
    from wakeboard.harness.cli.run import tell_abandoned
    from wakeboard.harness.cli.signals import as_interrupt
    from wakeboard.harness.describe.load import load_bench, load_sequence
    from wakeboard.results.store.store import Store

    pattern = _pattern(serial)
    described = load_sequence(sequence)
    bench = load_bench(bench_file, described.board) if bench_file else None
    if bench is None and not described.board.parts:
        raise click.UsageError(f"the board of {sequence} has no [parts]: give a bench with --bench.")
    beside_it = beside(common, page_place, described, virtual=bench is None)
    with as_interrupt(), beside_it as page, Store.open(common.database(described.board.file)) as store:
        tell_abandoned(common, store, page)
        line = Line(common, described, bench, store, operator_name=operator_name, again=again, energise=energise,
                    page=page)  # fmt: skip
        code = line.work(pattern, limit)
    return code


def _pattern(text: str | None) -> re.Pattern[str] | None:
    if text is None:
        return None
    try:
        return re.compile(text)
    except re.error as error:
        raise click.UsageError(f"--serial {text!r} is no regular expression: {error}.") from None


class Line:
    """The loop at one bench: reads serial numbers, runs units, tells."""

    def __init__(
        self, common: Common, sequence: StepSequence, bench: Bench | None, store: Store, *,
        operator_name: str | None, again: bool, energise: bool = False, page: PageLink | None = None,
    ) -> None:  # fmt: skip
        from wakeboard.harness.cli.run import operator_there
        from wakeboard.harness.run.production import Tally

        self.common = common
        self.sequence = sequence
        self.bench = bench
        self.store = store
        self.operator_name = operator_name
        self.again = again
        self.energise = energise
        self.tally: Tally = Tally()
        self.page = page
        self.failed_at: Counter[str] = Counter()
        self.operator: Operator | None = operator_there(common, page)
        self.cautioned = False
        self._shared: dict[str, object] = {}

    def work(self, pattern: re.Pattern[str] | None, limit: int | None) -> int:
        """Until the input ends, the limit is reached, the bench fails or the operator stops. The exit code."""
        from wakeboard.harness.run import presses
        from wakeboard.harness.run.errors import OperatorStop
        from wakeboard.harness.run.production import BadSerial, serial_number

        code = Exit.GOOD
        try:
            while limit is None or len(self.tally.runs) < limit:
                text = self._next_line()
                if text is None:
                    break
                if not text.strip():
                    continue
                try:
                    unit = serial_number(text, pattern)
                except BadSerial as error:
                    self._refuse(str(error))
                    continue
                code = self._unit(unit)
                stop = presses.pressed()
                presses.rearm()
                if code in (Exit.OUTPUTS_ON, Exit.STOPPED, Exit.USAGE, Exit.INTERNAL):
                    break
                if code is Exit.BENCH and self.operator is None:
                    break
                if stop or (self.page is not None and self.page.stop_pressed):  # while outputs were switched off
                    raise KeyboardInterrupt
        except (KeyboardInterrupt, OperatorStop):
            code = Exit.STOPPED
            self.common.note("\nstopped; no output is on")
        self._conclude()
        return self._exit(code)

    def _next_line(self) -> str | None:
        """The next line of the input; None at its end. What was typed while a unit was on the bench is thrown away: it
        would start a run with the old unit still there."""
        if self.page is not None and self.operator is not None:
            return self._scanned(self.operator)
        if self.common.interactive:
            _forget_typed()
            click.echo("\nscan the next unit (Ctrl-D ends): ", nl=False, err=True)
        line = sys.stdin.readline() if sys.stdin is not None else ""
        if not line and self.common.interactive:
            self.common.note("")
        return line or None

    @staticmethod
    def _scanned(operator: Operator) -> str | None:
        """A line from the page or the terminal, whichever comes first; None where the person ends the work."""
        from wakeboard.harness.run.errors import OperatorStop

        operator.beat, operator.power = (lambda: None), (lambda: "")
        try:
            return operator.ask("Scan the next unit", text=True) or "\n"
        except OperatorStop:
            return None

    def _refuse(self, says: str) -> None:
        if self.page is not None:
            self.page.answers("NOT RUN", "error", "", [says], "Scan again.")
        self.tally.refused += 1
        self.common.note(f"{says}. Nothing was run; scan again.")
        self._emit({"unit": None, "refused": says})
        self._bell()

    # --- one unit ---------------------------------------------------------------------------------------------------
    def _unit(self, unit: str) -> Exit:
        if not self._wanted(unit):
            return Exit.GOOD
        began = time.monotonic()
        if self.page is not None:
            self.page.begins(unit)
        from wakeboard.harness.cli.failure import tell
        from wakeboard.harness.run.errors import OutputsOn
        from wakeboard.instruments.errors import BenchError

        try:
            result = self._run(unit)
        except OutputsOn as error:
            tell(error, as_json=False)
            self._bench_failed(unit, str(error), off=False)
            return Exit.OUTPUTS_ON
        except BenchError as error:  # the bench could not be opened: nothing is on, and there is no run
            self._bench_failed(unit, str(error))
            return Exit.BENCH
        return self._tell(unit, result, time.monotonic() - began)

    def _wanted(self, unit: str) -> bool:
        from wakeboard.harness.run.production import passed_today

        runs = self.store.runs(board=self.sequence.board.name, unit=unit, sequence=self.sequence.title)
        passed = passed_today(runs)
        if passed is None or self.again:
            return True
        says = f"{unit} passed today at {passed:%H:%M}"
        if self.operator is not None and self.operator.ask(f"{says}. Run it again?") == "yes":
            return True
        self.tally.again += 1
        self.common.note(f"{says}; not run again" + ("" if self.operator else " (--again runs it)"))
        self._emit({"unit": unit, "outcome": "skipped", "says": f"{says}; not run again"})
        return False

    def _run(self, unit: str) -> Result:
        from wakeboard.harness.run.session import planted, take_unit

        return take_unit(
            self.sequence,
            unit=unit,
            described=self.bench,
            plants=planted(self.sequence.board, unit) if self.bench is None else (),
            store=self.store,
            observer=self._observer(),
            operator=self.operator,
            before=self._caution,
            operator_name=self.operator_name,
            energise=self.energise,
            **self._kept(unit),
        )

    def _observer(self) -> Observer:
        from wakeboard.harness.run.live import Both

        progress = Progress(self.common.interactive and not self.common.json)
        return progress if self.page is None else Both(progress, self.page)

    def _kept(self, unit: str) -> Mapping[str, Any]:
        """What is computed once for the board and serves every unit that has no rework of its own."""
        from wakeboard.harness.run.bench.virtual import prepare_board
        from wakeboard.harness.run.predict import CircuitLimits

        board = self.sequence.board
        if not self._shared:
            self._shared["predictor"] = CircuitLimits(board)
            if self.bench is None:
                self._shared["prepared"] = prepare_board(board)
        if self.store.rework_in_force(unit, board.name):
            return {key: each for key, each in self._shared.items() if key != "predictor"}
        return self._shared

    def _caution(self, bench: Any) -> None:
        """Once, before the first unit is energised."""
        if self.page is not None:
            self.page.watch(bench)
        if self.cautioned:
            return
        from wakeboard.results.report.cautions import CAUTIONS

        for text in CAUTIONS:
            self.common.caution(text)
        for name, texts in bench.cautions.items():
            for text in texts:
                self.common.caution(f"{name}: {text}")
        if self.operator is not None and bench.virtual is None:
            self.operator.confirm("Everything as the cautions say, and the unit on the bench?")
        self.cautioned = True

    # --- telling ----------------------------------------------------------------------------------------------------
    def _tell(self, unit: str, result: Result, seconds: float) -> Exit:
        from wakeboard.harness.run.production import answer
        from wakeboard.harness.run.session import exit_code

        code, record = Exit(exit_code(result)), result.record
        if code is Exit.INTERNAL and result.error is not None:
            result.error.add_note(result.off.says())
            raise result.error
        told = answer(record)
        stopped = code is Exit.STOPPED
        if not stopped:
            self.tally.add(unit, result.outcome)
        large = "STOPPED" if stopped else told.large
        if self.page is not None:
            self.page.ended(record.word, record.says, result.off)
        if code is Exit.OUTPUTS_ON:
            _loud(result)
        self._large(large, "error" if stopped else result.outcome)
        self.common.say(f"  {unit}" + (f"   {told.where}" if told.where else "") + f"   {seconds:.1f} s")
        for text in () if stopped else told.seen:
            self._wrapped(text)
        do = "Stopped by the operator: this unit is not tested." if stopped else told.do
        if told.where and not stopped:
            self.failed_at[told.where] += 1
        self._on_page(large, record.word, told.where, () if stopped else told.seen, do)
        if do:
            self._wrapped(do)
        if result.outcome in ("fail", "tripped", "marginal"):
            self.common.say(f"    wakeboard explain {record.id[:8]}")
        self._bell()
        self._emit({"unit": unit, "run": record.id, "outcome": record.word, "where": told.where,
                    "seen": list(told.seen), "do": do, "seconds": round(seconds, 3),
                    "outputs_off": record.outputs_off})  # fmt: skip
        return code

    def _on_page(self, large: str, outcome: str, where: str, seen: Sequence[str], do: str) -> None:
        """The answer and the count, where a page is open."""
        if self.page is not None:
            self.page.answers(large, outcome, where, seen, do)
            says = f"{count(len(self.tally.runs), 'run')}; {self.tally.says()}" if self.tally.runs else ""
            self.page.counts(says, self.failed_at.most_common(3))

    def _bench_failed(self, unit: str, says: str, off: bool = True) -> None:
        from wakeboard.harness.run.production import BY_OUTCOME, LARGE

        self.tally.add(unit, "error")
        if self.page is not None:
            self.page.broke(says)
        self._on_page(LARGE["error"], "error", "", [says], BY_OUTCOME["error"])
        self._large(LARGE["error"], "error")
        self.common.say(f"  {unit}")
        self._wrapped(says)
        self._wrapped(BY_OUTCOME["error"])
        self._bell()
        self._emit({"unit": unit, "run": None, "outcome": "error", "where": "", "seen": [says],
                    "do": BY_OUTCOME["error"], "outputs_off": off})  # fmt: skip

    def _large(self, text: str, outcome: str) -> None:
        from wakeboard.harness.run.hand.banner import banner

        if self.common.json:
            return
        if sys.stdout.isatty():
            self.common.say("\n" + click.style(banner(text), fg=COLOURS.get(outcome), bold=True) + "\n")
        else:
            self.common.say(text)

    def _wrapped(self, text: str) -> None:
        import textwrap

        if not self.common.json:
            self.common.say(textwrap.fill(text, 78, initial_indent="    ", subsequent_indent="    "))

    def _bell(self) -> None:
        if sys.stderr.isatty():
            click.echo("\a", nl=False, err=True)

    def _emit(self, document: Mapping[str, object]) -> None:
        """One line of JSON, at once: a program at the other end of the pipe waits for it."""
        if self.common.json:
            import json

            click.echo(plain_json(json.dumps(document, ensure_ascii=False)))
            sys.stdout.flush()

    def _conclude(self) -> None:
        if self.tally.runs or self.tally.again or self.tally.refused:
            import textwrap

            self.common.note(textwrap.fill(self.tally.says(), 79))
        self._emit({"yield": self.tally.as_json()})

    def _exit(self, last: Exit) -> Exit:
        if last in (Exit.OUTPUTS_ON, Exit.STOPPED, Exit.USAGE, Exit.INTERNAL):
            return last
        if self.tally.failed:
            return Exit.FAILED
        if self.tally.errors and last is Exit.BENCH:
            return Exit.BENCH
        return Exit.USAGE if self.tally.refused and not self.common.interactive else Exit.GOOD


class Progress:
    """An observer that shows which step is under way in one line on a terminal, and nothing else."""

    def __init__(self, shown: bool, write: Callable[[str], None] | None = None) -> None:
        self._shown = shown
        self._write = write or _to_stderr

    def step_begins(self, number: int, total: int, title: str, kind: str) -> None:
        if self._shown:
            self._write(f"\r\x1b[K  {number}/{total}  {title}"[:79])

    def step_ends(self, step: Step) -> None:
        if self._shown:
            self._write("\r\x1b[K")

    def reading(self, reading: Reading) -> None:
        """The answer is told at the end."""

    def says(self, text: str) -> None:
        """As `reading`."""

    def pulse(self, samples: Mapping[str, Sample], limits: Mapping[str, float]) -> None:
        """As `reading`."""


def _to_stderr(text: str) -> None:
    sys.stderr.write(shown(text))
    sys.stderr.flush()


def _loud(result: Result) -> None:
    from wakeboard.harness.cli.exits import OutputsNotOff
    from wakeboard.harness.cli.failure import tell

    tell(OutputsNotOff(result.off.says()), as_json=False)


def _forget_typed() -> None:
    """Drop what waits on the terminal."""
    if sys.platform == "win32":
        import importlib

        console: object = importlib.import_module("msvcrt")
        while console.kbhit():
            console.getwch()
        return
    import termios

    try:
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
    except (OSError, termios.error, ValueError):
        return  # no terminal after all


__all__ = ["Line", "Progress", "command"]
