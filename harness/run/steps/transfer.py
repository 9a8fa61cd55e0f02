"""How fast bytes move: a stream over the console, or a mounted volume of the board, written and read.

A volume is written with a new file of random bytes that is removed again; nothing else on it is touched. Bytes are
flushed to the medium before the clock stops, and read back past the system's cache where the system lets us; where it
does not, the step says so, because the figure is then the cache's. `reference` is what the same medium does in a reader
that is known to be good: a slow card is no slow board.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from wakeboard.harness.describe.sequence.step_model import StepModel
from wakeboard.harness.describe.sequence.steps import Needs
from wakeboard.harness.describe.toml.fields import BytesPerSecond, Seconds, limits
from wakeboard.harness.run.decide import Limits, decide, propagate, rectangular
from wakeboard.harness.run.errors import Refused
from wakeboard.harness.run.steps import _volume
from wakeboard.instruments.quantity import Interval, QuantityError, parse
from wakeboard.results.told import TransferTold

if TYPE_CHECKING:
    from wakeboard.harness.run.context import Context

KIND = "transfer"
NEEDS = Needs(power="on")
TELLS = (TransferTold,)

STREAM_CLOCK = 0.01  # s, half-width of a stream's start and end: chunks are seen late by about this much
VOLUME_CLOCK = 1e-4  # s, of a volume's: the computer's own clock, and the call into the system
CHUNK_S = 0.01  # s of listening at a time
Rate = Annotated[Interval, limits("B/s")]


class Model(StepModel):
    """stream: a stream of the board's [target]; volume: of the bench file. expect: the rate of the stream; read, write:
    those of the volume; reference: the same medium's rate in a good reader, ratio: what share of it must be reached."""

    do: Literal["transfer"]
    stream: str | None = None
    volume: str | None = None
    size: str = "8 MB"
    expect: Rate | None = None
    read: Rate | None = None
    write: Rate | None = None
    reference: BytesPerSecond | None = None
    ratio: float = Field(0.8, gt=0)
    timeout: Seconds = 30.0
    link: str | None = None


def run(context: Context, model: Model) -> None:
    if (model.stream is None) == (model.volume is None):
        raise Refused("a transfer step names a `stream` or a `volume`, one of them")
    if model.stream is not None:
        _stream(context, model, model.stream)
    else:
        _on_volume(context, model, str(model.volume))


def _stream(context: Context, model: Model, ask: str) -> None:
    target = context.board.target
    stream = next((each for each in target.streams if each.ask == ask), None) if target else None
    if stream is None:
        raise Refused(f'the board file has no stream "{ask}" in [[target.streams]]')
    console = context.console(model.link)
    console.forget()
    started = context.time.now
    console.send(ask)
    got = 0
    while got < stream.bytes and context.time.now - started < model.timeout:
        context.time.pulse()
        got += len(console.read(CHUNK_S).encode())
    seconds = context.time.now - started
    got = min(got, stream.bytes)  # the prompt that follows is not part of it
    context.log.tell(TransferTold(got, seconds))
    if got < stream.bytes:
        says = f"{got} of {stream.bytes} bytes within {seconds:.1f} s"
        context.log.number(ask, "rate", got / seconds, "B/s", _limits(model.expect), "fail", says=says)
        return
    _rate(context, model, ask, got, seconds, model.expect, STREAM_CLOCK)


def _on_volume(context: Context, model: Model, name: str) -> None:
    folder = context.bench.volumes.get(name)
    if folder is None:
        raise Refused(f'the bench file has no volume "{name}" in [volumes]')
    try:
        size = round(parse(model.size, "B"))
    except QuantityError as error:
        raise Refused(f"size: {error}") from None
    wrote, read, cache = _volume.measure(folder, size, lambda: context.time.pulse(5.0))
    context.log.say(cache)
    context.log.tell(TransferTold(size, write_s=wrote, read_s=read, cache=cache))
    _rate(context, model, f"{name} write", size, wrote, model.write, VOLUME_CLOCK)
    _rate(context, model, f"{name} read", size, read, model.read or model.expect, VOLUME_CLOCK)


def _rate(
    context: Context, model: Model, of: str, size: int, seconds: float, expect: Interval | None, clock: float
) -> None:
    """The rate, and its share of the reference where there is one."""
    rate, u = propagate(lambda n, t: n / t, [size, seconds], [[0.0, 0.0], [0.0, rectangular(clock) ** 2]])
    bounds = _limits(expect)
    context.log.number(of, "rate", rate, "B/s", bounds, decide(rate, u, bounds), u=u)
    if model.reference:
        share, floor = rate / model.reference, Limits(model.ratio, None, "step")
        context.log.number(of, "share of reference", share, "", floor, decide(share, u / model.reference, floor))


def _limits(expect: Interval | None) -> Limits:
    return Limits(expect.low, expect.high, "step") if expect else Limits()
