"""An oscilloscope that takes one shot of rising voltages. What it was set to is read back; what it shows has its
uncertainty.

    scope = Scope(link, load_scope("rigol-ds1000z"))
    scope.prepare([View("1", 0.0, 5.5)], Shot(before=1e-3, after=50e-3, channel="1", level=2.5))
    scope.arm()                      waits until the instrument says that it waits
    while not scope.done(): ...      the board is powered meanwhile
    wave = scope.read("1")           Waveform: volts, time of each, half-widths

A shot that is not whole, a block that is cut, codes that do not fit their preamble, a screen that does not show what
was asked for: each is refused, nothing is guessed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from wakeboard.instruments.dialect import Asking, ScopeDialect
from wakeboard.instruments.dialect_tables import Sign, Term
from wakeboard.instruments.errors import SettingError
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.replies import ReplyError, integer, like_reply, number, searched
from wakeboard.instruments.ports import Shot, View
from wakeboard.instruments.scpi.spoken import Spoken
from wakeboard.instruments.waveform import Waveform, from_codes

STEPS: Final = (1.0, 2.0, 5.0)  # in which scales of every decade go (common practice)
FILL: Final = 0.8  # of the screen's height that is used
AGREE: Final = 0.02  # by which a scale read back may differ from the one that was set (a wider one is taken, too)
BEYOND: Final = 4.0  # times the screen: no record reaches further, nor do its codes (common practice, no source)
ARM_WAIT: Final = 5.0  # s beyond the time before the trigger
LOOK: Final = 0.02  # s between two questions
READ_TIMEOUT: Final = 10.0  # s for a block
DTYPES: Final = {"u8": "u1", "i8": "i1", "u16": "u2", "i16": "i2"}


class Scope(Spoken[ScopeDialect]):
    """Raises LinkError, InstrumentFault, SettingError."""

    def __init__(self, link: Link, dialect: ScopeDialect) -> None:
        super().__init__(link, dialect)
        self._views: dict[str, View] = {}
        self._scales: dict[str, float] = {}
        self._shot: Shot | None = None
        self._delay = self._across = 0.0
        self._whole = self._begun = False

    def after_reopening(self) -> None:
        """What it was asked before may belong to another shot."""
        self._whole = False

    # --- setting ----------------------------------------------------------------------------------------------------
    def prepare(self, views: Sequence[View], shot: Shot) -> None:
        """See ports.ScopePort."""
        dialect = self.dialect
        self._views, self._shot, self._whole, self._begun = {view.channel: view for view in views}, shot, False, False
        if shot.channel not in self._views:
            raise self._unfit(f"triggers on channel {shot.channel}, which is not shown")
        for channel in self._views:
            if channel not in self._known:
                raise self._unfit(f"has no channel {channel}: it has {', '.join(self._known)}")
        self._say(dialect.stop, {})
        self._say(dialect.once, {})
        for channel in self._known:
            if channel in self._views:
                self._show(self._views[channel])
            else:
                self._say(dialect.hide, {"ch": channel})
        self._set_time(shot)
        self._say(dialect.trigger, {"ch": shot.channel, "level": shot.level, "slope": dialect.rising})

    @property
    def _known(self) -> list[str]:
        return [str(each) for each in range(1, self.dialect.channels + 1)]

    def _show(self, view: View) -> None:
        wanted = (view.high - view.low) / (FILL * self.dialect.high)
        scale = max(_next_step(wanted), self.dialect.least_scale * view.probe)
        if scale > self.dialect.most_scale * view.probe * 1.001:
            raise self._unfit(f"cannot show {view.low:g} to {view.high:g} V through a {view.probe:g}:1 probe")
        centre = (view.low + view.high) / 2
        values = {
            "ch": view.channel, "scale": scale, "offset": self.dialect.screen_centre * centre, "probe": view.probe,
            "gain": 1 / view.probe,
        }  # fmt: skip
        self._say(self.dialect.show, values)
        found = self._number(self.dialect.scale, values)
        if not scale * (1 - AGREE) <= found <= scale * 2.01:
            raise self._unfit(f"channel {view.channel} was set to {scale:g} V a division and says {found:g}")
        self._scales[view.channel] = found

    def _set_time(self, shot: Shot) -> None:
        scale = _next_step((shot.before + shot.after) / self.dialect.across)
        self._delay = scale * self.dialect.across / 2 - shot.before
        self._say(self.dialect.time, {"scale": scale, "delay": self._delay, "points": self.dialect.points})
        found = self._number(self.dialect.time_scale, {})
        if not scale * (1 - AGREE) <= found <= scale * (1 + AGREE):
            raise self._unfit(f"was set to {scale:g} s a division and says {found:g}")
        self._across = found * self.dialect.across

    def _say(self, lines: Sequence[str], values: dict[str, object]) -> None:
        filled = [each.format(**values) for each in lines]
        if filled:
            self.speaker.group(filled, [], values)

    def _unfit(self, what: str) -> SettingError:
        return SettingError(f"{self.link.name} {what}", instrument=self.link.name)

    # --- one shot ---------------------------------------------------------------------------------------------------
    def arm(self) -> None:
        """See ports.ScopePort. Raises SettingError where it does not come to wait for its trigger."""
        shot = self._needed()
        self._whole, self._begun = False, False
        if self.dialect.before_single is not None:
            self.speaker.ask([self.dialect.before_single], {})
        self._say(self.dialect.single, {})
        ends = self.link.clock.now() + shot.before + ARM_WAIT
        while not self._fits(self.dialect.armed):
            if self.link.clock.now() > ends:
                raise self._unfit(f"does not say within {ARM_WAIT:g} s that it waits for its trigger")
            self.link.clock.sleep(LOOK)
        self._begun = True

    def done(self) -> bool:
        """See ports.ScopePort."""
        if not self._begun:
            return False
        self._whole = self._whole or self._fits(self.dialect.done)
        return self._whole

    def stop(self) -> None:
        """End a shot; a trigger that comes later finds nothing."""
        self._begun = False
        self._say(self.dialect.stop, {})

    def _needed(self) -> Shot:
        if self._shot is None:
            raise self._unfit("was not prepared for a shot")
        return self._shot

    def _fits(self, question: Sign) -> bool:
        reply = self.speaker.ask([question], {})[0]
        if not like_reply(reply) or not reply.strip():
            self.link.garbled(question.send, reply, "it says neither yes nor no")
        if question.bit is not None:
            value = self.speaker.read(question, reply, integer)
            return bool(value >> question.bit & 1) != question.unset
        try:
            searched(reply, question.reply or "")
        except ReplyError:
            return False
        return True

    # --- reading ----------------------------------------------------------------------------------------------------
    def read(self, channel: str) -> Waveform:
        """See ports.ScopePort. Raises SettingError where the shot is not whole or does not show what was asked for."""
        shot, view = self._needed(), self._views.get(channel)
        if view is None:
            raise self._unfit(f"does not show channel {channel}")
        if not self._whole:
            raise self._unfit("has no whole shot: it was not triggered, or was opened afresh since")
        wave, values = self.dialect.wave, self._values(channel)
        if wave.before:
            self._say(wave.before, values)
        figures = dict(self._figures(values))
        codes = self._codes(values)
        self._check_figures(wave.data, figures, len(codes))
        return self._judged(view, shot, figures, codes)

    def _values(self, channel: str) -> dict[str, object]:
        every, dialect = 1, self.dialect
        if dialect.rate is not None:
            span = self._number(dialect.time_scale, {}) * dialect.across
            every = max(1, math.ceil(self._number(dialect.rate, {}) * span / dialect.points))
        return {"ch": channel, "points": dialect.points, "every": every}

    def _figures(self, values: dict[str, object]) -> Iterator[tuple[str, float]]:
        """What the preamble says; what nobody says is 0."""
        wave = self.dialect.wave
        yield from (("xref", 0.0), ("yref", 0.0), ("xorg", 0.0), ("yorg", 0.0))
        if wave.preamble is not None:
            reply = self.speaker.ask([wave.preamble], values)[0]
            parts = reply.split(",")
            if len(parts) < len(wave.fields):
                self.link.garbled(wave.preamble.send, reply, f"{len(wave.fields)} parts are due")
            for name, text in zip(wave.fields, parts, strict=False):
                if name:
                    yield name, self.speaker.read(wave.preamble, text, number)
        for figure, terms in wave.figures.items():
            yield figure, math.fsum(self._term(term, values) for term in terms)

    def _term(self, term: Term, values: dict[str, Any]) -> float:
        found = self._number(term, values)
        if term.inverse and not found:
            self.link.garbled(term.send, "0", "nothing is divided by it")
        return (1 / found if term.inverse else found) * term.times * (values["every"] if term.each else 1)

    def _number(self, question: Asking, values: dict[str, object]) -> float:
        reply = self.speaker.ask([question], values)[0]
        found: float = self.speaker.read(question, reply, lambda text: number(text, question.reply))
        return found

    def _codes(self, values: dict[str, object]) -> Any:
        wave = self.dialect.wave
        line = wave.data.format(**values)
        data = self.link.query_block(line, READ_TIMEOUT, wave.tail)
        kind = np.dtype(DTYPES[wave.form]).newbyteorder(">" if wave.high_first else "<")
        if len(data) % kind.itemsize:
            self.link.garbled(line, f"{len(data)} bytes", f"a sample has {kind.itemsize}")
        return np.frombuffer(data, dtype=kind)

    def _check_figures(self, line: str, figures: dict[str, float], count: int) -> None:
        for name in ("xinc", "yinc"):
            if not figures.get(name, 0.0) > 0:
                self.link.garbled(line, str(figures.get(name)), f"its preamble has no {name}")
        points = figures.get("points")
        if count < 2 or (points is not None and count != round(points)):
            self.link.garbled(line, f"{count} samples", f"its preamble says {points:g}" if points else "too few")

    def _judged(self, view: View, shot: Shot, figures: dict[str, float], codes: Any) -> Waveform:
        dialect, wave = self.dialect, self.dialect.wave
        if wave.hole is not None and (codes == wave.hole).any():
            raise self._unfit(f"has holes in its shot of channel {view.channel}")
        zero, base = figures["yref"], figures["yorg"]
        if wave.origin == "steps":
            zero, base = zero + base, 0.0
        step = figures["yinc"]
        edges = [(code - zero) * step + base for code in (wave.least, wave.most)]
        if view.low < edges[0] or view.high > edges[1]:
            raise self._unfit(f"shows {edges[0]:.3g} to {edges[1]:.3g} V on channel {view.channel}, and "
                              f"{view.low:.3g} to {view.high:.3g} V is needed")  # fmt: skip
        start, span = figures["xorg"] - figures["xref"] * figures["xinc"], figures["xinc"] * len(codes)
        high = dialect.high * self._scales[view.channel]
        if not (edges[1] - edges[0] <= BEYOND * high and span <= BEYOND * self._across and math.isfinite(start)):
            raise self._unfit(f"tells {edges[1] - edges[0]:.3g} V and {span:.3g} s of channel {view.channel}, and its "
                              f"screen has {high:.3g} V and {self._across:.3g} s")  # fmt: skip
        found = Waveform(
            channel=view.channel, start=start, dt=figures["xinc"], volts=from_codes(codes, step, zero, base),
            lsb=step * wave.grain, share=dialect.probe_share, fixed=self._fixed(view), ppm=dialect.ppm,
            clipped=int(((codes <= wave.least) | (codes >= wave.most)).sum()),
        )  # fmt: skip
        if found.start > -shot.before / 2 or found.end < shot.after / 2:
            raise self._unfit(f"shows {found.start:.3g} to {found.end:.3g} s about its trigger, and "
                              f"{-shot.before:.3g} to {shot.after:.3g} s is needed")  # fmt: skip
        return found

    def _fixed(self, view: View) -> float:
        """Half-width of the volts apart from the probe's ratio and codes: of the screen's height, of its offset."""
        dialect, scale = self.dialect, self._scales[view.channel]
        offset = dialect.offset_divs * scale + dialect.offset_share * abs(view.low + view.high) / 2
        return dialect.gain * dialect.high * scale + offset + dialect.offset_volts * view.probe

    # --- the rest ---------------------------------------------------------------------------------------------------
    def errors(self) -> list[tuple[int, str]]:
        """Take what the error queue holds: [(number, text)]."""
        return self.speaker.errors()

    def close(self) -> None:
        self.link.close()


def _next_step(wanted: float) -> float:
    """The next of 1, 2, 5 × 10^n that is not smaller."""
    decade = 10.0 ** math.floor(math.log10(wanted) - 1e-9)
    fits = [step * decade for step in STEPS if step * decade >= wanted * 0.9999]
    return fits[0] if fits else 10 * decade
