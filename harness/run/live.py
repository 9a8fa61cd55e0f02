"""Watching a run: plain lines, or a live view on a terminal that can show it.

The runner tells an observer what happens as it happens. Both observers say the same things; the live view also shows
each supply's volts, its current against its limit, and where the run is. It redraws some times a second at most, from
the runner's own loop, so that nothing but the runner needs to be alive.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from wakeboard.harness.run.hand.unechoed import Unechoed
from wakeboard.instruments.quantity import show
from wakeboard.results.doubted import doubts
from wakeboard.results.records import LIMITS_FROM
from wakeboard.results.visible import visible

if TYPE_CHECKING:
    from rich.console import Console

    from wakeboard.harness.run.guard.core import Sample
    from wakeboard.harness.run.ports import Observer
    from wakeboard.results.records import Reading, Step

STYLES = {
    "pass": "green", "fail": "bold red", "marginal": "yellow", "skipped": "dim", "tripped": "bold white on red",
    "error": "bold magenta",
}  # fmt: skip
REDRAW = 0.1  # s
NOT_REACHED = "no point reaches"  # said of a step that could not measure all that it should, whatever it saw (Probes)
BAR = 20  # characters of a current bar
DIGITS = range(4, 9)  # of a value; more than the least only where it would look like its limit


def reading_text(reading: Reading) -> str:
    """One line: what, value, limits and whose, how sure."""
    return visible(_reading_text(reading))


def _reading_text(reading: Reading) -> str:
    if reading.quantity == "text":
        return f"{reading.of}: {reading.says}"
    value = "over range" if reading.value is None else _shown(reading)
    if reading.value is None and reading.says:
        value = reading.says
    says = [reading.says] if reading.says and reading.value is not None else []
    if reading.outcome == "marginal" and reading.value is not None and reading.u:
        value += f" ± {show(2 * reading.u, reading.unit, 2)}"  # U = 2u (JCGM 100:2008, 6.3)
        says.append("too near the limit to decide")
    return f"{reading.of} {reading.quantity} {value}{_limits(reading)}" + (f": {', '.join(says)}" if says else "")


def _shown(reading: Reading) -> str:
    """The value; with more digits where it would look like the limit that it is beyond."""
    beyond = [each for each in (reading.low, reading.high) if each is not None and reading.outcome == "fail"]
    for digits in DIGITS:
        text = show(reading.value, reading.unit, digits)
        if text not in [show(each, reading.unit, digits) for each in beyond]:
            return text
    return show(reading.value, reading.unit)


def _limits(reading: Reading) -> str:
    low, high = reading.low, reading.high
    if low is None and high is None:
        return ""
    if low is None:
        text = f"< {show(high, reading.unit)}"
    elif high is None:
        text = f"> {show(low, reading.unit)}"
    else:
        text = f"{show(low, reading.unit)} .. {show(high, reading.unit)}"
    return f" ({text}{', ' + LIMITS_FROM.get(reading.limits_from, reading.limits_from) if reading.limits_from else ''})"


class PlainObserver:
    """A line for each step, and one for each reading that is not a pass (all of them when `verbose`)."""

    def __init__(self, say: Callable[[str], None], *, verbose: bool = False) -> None:
        self._say = say
        self._verbose = verbose
        self._told: list[str] = []

    def step_begins(self, number: int, total: int, title: str, kind: str) -> None:
        self._told = []

    def reading(self, reading: Reading) -> None:
        if self._verbose or reading.outcome != "pass":
            self._told.append(f"      {reading.word:8} {reading_text(reading)}")

    def says(self, text: str) -> None:
        """Kept by the step; shown when it ends."""

    def pulse(self, samples: Mapping[str, Sample], limits: Mapping[str, float]) -> None:
        """Plain lines do not move."""

    def step_ends(self, step: Step) -> None:
        self._say(f"{step.number:3}  {step.word:8} {visible(step.name)}")
        told, self._told = self._told, []  # the discharge at the end has no beginning of its own
        for line in told:
            self._say(line)
        if (step.outcome != "pass" or NOT_REACHED in step.says) and step.says:
            self._say(f"      {visible(step.says)}")
            return
        for said in doubts(step):
            self._say(f"      {visible(said)}")


class LiveObserver:
    """The live view; use as a context manager. Falls silent where drawing fails: the run goes on."""

    def __init__(self, console: Console, title: str) -> None:
        self.console = console
        self.title = title
        self._plain = PlainObserver(self._print)
        self._live: Any = None
        self._step = ""
        self._last_reading = ""
        self._samples: Mapping[str, Sample] = {}
        self._limits: Mapping[str, float] = {}
        self._drawn = 0.0
        self._began = time.monotonic()
        self._terminal = Unechoed()

    def __enter__(self) -> LiveObserver:
        from rich.live import Live

        self._live = Live(self._picture(), console=self.console, auto_refresh=False, transient=True)
        self._terminal.take()
        try:
            self._live.start()
        except BaseException:
            self.pause()
            raise
        return self

    def __exit__(self, *_error: object) -> None:
        self.pause()

    def pause(self) -> None:
        """Take the picture away, for a prompt or for good."""
        live, self._live = self._live, None
        try:
            if live is not None:
                live.stop()
        finally:
            self._terminal.give_back()

    def resume(self) -> None:
        """Draw again after `pause`."""
        if self._live is None:
            self.__enter__()

    def _print(self, text: str) -> None:
        import textwrap

        from rich.text import Text

        hang = " " * (15 if text.startswith("      ") else 14)  # under the text, beside the outcome
        line = Text(textwrap.fill(text, self.console.width, subsequent_indent=hang, break_on_hyphens=False))
        word = text[5:13].strip() if not text.startswith("      ") else text[6:14].strip()
        if word in STYLES:
            start = text.index(word)
            line.stylize(STYLES[word], start, start + len(word))
        self.console.print(line)

    # --- Observer ---
    def step_begins(self, number: int, total: int, title: str, kind: str) -> None:
        self._step = f"{number}/{total}  {visible(title)}"
        self._last_reading = ""
        self._plain.step_begins(number, total, title, kind)
        self._draw(force=True)

    def reading(self, reading: Reading) -> None:
        self._last_reading = f"{reading.word}: {reading_text(reading)}"
        self._plain.reading(reading)
        self._draw()

    def says(self, text: str) -> None:
        self._last_reading = visible(text)

    def pulse(self, samples: Mapping[str, Sample], limits: Mapping[str, float]) -> None:
        self._samples, self._limits = samples, limits
        self._draw()

    def step_ends(self, step: Step) -> None:
        self._plain.step_ends(step)
        self._draw(force=True)

    # --- drawing ---
    def _draw(self, force: bool = False) -> None:
        now = time.monotonic()
        if self._live is None or (not force and now - self._drawn < REDRAW):
            return
        self._drawn = now
        self._live.update(self._picture(), refresh=True)

    def _picture(self) -> Any:
        from rich.panel import Panel
        from rich.table import Table
        from rich.text import Text

        table = Table.grid(padding=(0, 2), expand=False)
        for name, limit in self._limits.items():
            sample = self._samples.get(name)
            if sample is not None:
                table.add_row(
                    Text(name, style="bold"), Text(f"{sample.volts:7.3f} V"), Text(show(sample.amps, "A", digits=3)),
                    bar(sample.amps, limit), Text(f"of {show(limit, 'A')}"), Text(sample.mode),
                )  # fmt: skip
        if not self._limits:
            table.add_row(Text("all outputs off", style="dim"))
        table.add_row(Text(""))
        body = Table.grid()
        body.add_row(table)
        body.add_row(Text(self._step, style="bold", no_wrap=True, overflow="ellipsis"))
        body.add_row(Text(self._last_reading, no_wrap=True, overflow="ellipsis"))
        seconds = time.monotonic() - self._began
        foot = f"{seconds:.0f} s   Ctrl-C: everything off"
        return Panel(body, title=self.title, subtitle=foot, width=min(self.console.width, 100))


class Both:
    """Two observers of one run."""

    def __init__(self, first: Observer, second: Observer) -> None:
        self._both = (first, second)

    def step_begins(self, number: int, total: int, title: str, kind: str) -> None:
        for each in self._both:
            each.step_begins(number, total, title, kind)

    def reading(self, reading: Reading) -> None:
        for each in self._both:
            each.reading(reading)

    def says(self, text: str) -> None:
        for each in self._both:
            each.says(text)

    def pulse(self, samples: Mapping[str, Sample], limits: Mapping[str, float]) -> None:
        for each in self._both:
            each.pulse(samples, limits)

    def step_ends(self, step: Step) -> None:
        for each in self._both:
            each.step_ends(step)


def bar(amps: float, limit: float) -> Any:
    """The current against its limit."""
    from rich.text import Text

    share = min(max(amps / limit, 0.0), 1.0) if limit else 0.0
    full = round(share * BAR)
    style = "green" if share < 0.5 else "yellow" if share < 0.9 else "red"
    return Text.assemble(("█" * full, style), ("·" * (BAR - full), "dim"))
