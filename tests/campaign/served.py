"""The virtual bench in a process of its own, with a record that no program under test can touch.

    python -m tests.campaign.served BOARD RECORD [latency in s]

Prints {"supply": [host, port], …} once its ports are open. The record has a line an event, "time<TAB>instrument<TAB>
what<TAB>text", on the clock that all processes of a computer share (CLOCK_MONOTONIC):
">" a message begins to run, "<" its reply leaves, "done" it has been run, "out" an output of the board's supplies goes
on or off.

Standard input takes {"do": "reset" | "state" | "surge" | "lie" | "latency" …} and answers with a line each.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

from tests.campaign.board import SURGE_PART
from wakeboard.harness.describe.load import load_board
from wakeboard.harness.run.bench.virtual import virtual_bench
from wakeboard.instruments.virtual.hardware import psu as virtual_psu
from wakeboard.instruments.virtual.wire.server import WireServer


class Record:
    """Lines that are in the file when `add` returns."""

    def __init__(self, path: str) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)

    def add(self, name: str, what: str, text: str) -> None:
        os.write(self._file, f"{time.monotonic():.6f}\t{name}\t{what}\t{text!r}\n".encode())


class LyingOutput(virtual_psu.Output):
    """Its relay is welded: it says off, and feeds the board."""

    def switch(self, on: bool) -> None:
        if on:
            super().switch(on)
        self.on = on

    def true_amps(self) -> float:
        return -self.stage.current(self.part, "P") if self.part is not None else 0.0


class StuckOutput(virtual_psu.Output):
    """It does not go off, and says so."""

    def switch(self, on: bool) -> None:
        if on:
            super().switch(on)


class DisobedientOutput(virtual_psu.Output):
    """It says the limit that it was set to, and lets through ten times as much."""

    @property
    def actual_limit(self) -> float:
        return 10 * super().actual_limit


class ReturningOutput(virtual_psu.Output):
    """A relay that falls back: on again a while after it was switched off, `times` times."""

    times = 1
    after = 0.02

    def switch(self, on: bool) -> None:
        was = self.on
        super().switch(on)
        if was and not on and self.times > 0:
            self.times -= 1
            self.stage.at(self.stage.now + self.after, lambda: super(ReturningOutput, self).switch(True))


KINDS = {"lie": LyingOutput, "stick": StuckOutput, "disobey": DisobedientOutput, "return": ReturningOutput}


class Bench:
    """The virtual bench under observation."""

    def __init__(self, board: str, record: Record, latency: float) -> None:
        self.record = record
        self.latency = latency
        self.bench = virtual_bench(load_board(board), unit="T-1", transients=False)
        self.stage = self.bench.stage
        self._supplies = {id(o): name for name, o in self.outputs().items()}
        self._liars: list[Any] = []
        self._watch_outputs()
        for name, instrument in self.bench.instruments.items():
            instrument.run = self._paced(name, instrument.run)  # type: ignore[method-assign]

    def outputs(self) -> dict[str, Any]:
        """Supply of the board -> the output that feeds it."""
        return {
            supply: item.instrument.supply.outputs[number - 1]  # type: ignore[attr-defined]
            for item in self.bench.placed
            for number, supply in item.feeds.items()
        }

    def _watch_outputs(self) -> None:
        switch = virtual_psu.Output.switch

        def watched(output: Any, on: bool) -> None:
            before = output.on
            switch(output, on)
            if output.on != before and id(output) in self._supplies:
                self.record.add(self._supplies[id(output)], "out", "on" if output.on else "off")

        virtual_psu.Output.switch = watched  # type: ignore[method-assign]

    def _paced(self, name: str, run: Callable[[str], Iterator[float]]) -> Callable[[str], Iterator[float]]:
        """The instrument's own time for a message; a lie is told in its reply."""

        def paced(message: str) -> Iterator[float]:
            if self.latency:
                yield self.latency
            yield from run(message)
            self.record.add(name, "done", "")

        return paced

    def heard(self, name: str, way: str, text: str) -> None:
        self.record.add(name, way, text)

    # --- orders -----------------------------------------------------------------------------------------------------
    def order(self, order: dict[str, Any]) -> Any:
        return getattr(self, f"do_{order['do']}")(order)

    def do_reset(self, _order: dict[str, Any]) -> Any:
        """As after switching the bench on; the board as it was drawn."""
        for output in self._liars:
            output.__class__ = virtual_psu.Output
            output.on = True
            output.switch(False)
        self._liars.clear()
        for instrument in self.bench.instruments.values():
            instrument.reset()  # type: ignore[attr-defined]
            instrument.errors.entries.clear()  # type: ignore[attr-defined]
        self.stage.change({f"{SURGE_PART}.value": 1e6})
        return "reset"

    def do_state(self, _order: dict[str, Any]) -> Any:
        """What is on, and how the supply's own protections are armed."""
        return {
            name: {
                "on": output.on,
                "tripped": output.tripped,
                "ovp": output.settings.ovp if output.settings.ovp_on else None,
                "ocp": output.settings.ocp if output.settings.ocp_on else None,
                "limit": output.settings.amps,
                "amps": output.true_amps(),
            }
            for name, output in self.outputs().items()
        }

    def do_surge(self, order: dict[str, Any]) -> Any:
        """The board draws more from now on."""
        at = time.monotonic()
        self.stage.change({f"{SURGE_PART}.value": order["ohms"]})
        return at

    def do_lie(self, order: dict[str, Any]) -> Any:
        """From now on this output says that it is off when it is told so, and stays on."""
        return self.do_become({**order, "kind": "lie"})

    def do_become(self, order: dict[str, Any]) -> Any:
        """From now on this output is of another kind (KINDS). times: of what it does a number of times."""
        output = self.outputs()[order["supply"]]
        output.__class__ = KINDS[order["kind"]]
        if "times" in order:
            output.times = order["times"]
        self._liars.append(output)
        output.set_amps(output.settings.amps)  # the limit that it really has, from now on
        return time.monotonic()

    def do_meddle(self, order: dict[str, Any]) -> Any:
        """What another program, or a hand at the panel, may do: another limit, another voltage, an output on."""
        output = self.outputs()[order["supply"]]
        for key, change in (("amps", output.set_amps), ("volts", output.set_volts), ("on", output.switch)):
            if key in order:
                change(order[key])
        return time.monotonic()

    def do_latency(self, order: dict[str, Any]) -> Any:
        self.latency = order["seconds"]
        return self.latency


async def serve(board: str, path: str, latency: float) -> None:
    bench = Bench(board, Record(path), latency)
    server = WireServer(bench.bench, heard=bench.heard)
    addresses = await server.start()
    ended = asyncio.Event()
    pending = b""

    def orders() -> None:
        nonlocal pending
        data = os.read(0, 65536)
        if not data:
            ended.set()
            return
        *lines, pending = (pending + data).split(b"\n")
        for line in lines:
            print(json.dumps(bench.order(json.loads(line))), flush=True)

    asyncio.get_running_loop().add_reader(0, orders)
    found = {name: address.split("::")[1:3] for name, address in addresses.instruments.items()}
    description = bench.bench.bench_description()
    print(
        json.dumps({"ports": {name: int(port) for name, (_, port) in found.items()}, "bench": description}), flush=True
    )
    await ended.wait()
    await server.stop()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], sys.argv[2], float(sys.argv[3]) if len(sys.argv) > 3 else 0.0))
