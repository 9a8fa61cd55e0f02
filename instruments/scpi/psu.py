"""A bench supply. What safety rests on is read back and compared before an output turns on; off is verified.

    psu = Psu(link, load_psu("keysight-e36300"))
    psu.identify()
    psu.set("1", 5.0, 0.120)         limit first, then voltage; both read back
    psu.protect("1", ovp=5.5)
    psu.on("1")                      settings compared once more, then on, then verified
    psu.sample("1")                  one line: volts, amps, mode, on
    psu.off("1")                     True: verified off; False: this supply cannot tell

Clearing a trip switches some supplies back on: `clear` switches off first, verifies, clears, verifies again.
Where the meaning of the status bits is not known from a maker's page, the mode is told from volts and amps against the
settings where these leave no doubt; bits that have agreed with such a moment are then believed, bits that contradicted
it never (see `ModeJudge`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import Literal

from wakeboard.instruments.dialect import Accuracy, Asking, PsuDialect
from wakeboard.instruments.dialect_tables import Can
from wakeboard.instruments.errors import BenchError, DialectError, OutputOnError, SettingError
from wakeboard.instruments.link.identity import Identity
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.lock import not_kept_out
from wakeboard.instruments.link.replies import truth
from wakeboard.instruments.ports import Mode, OutputSample, Trip
from wakeboard.instruments.scpi.psu_looks import Commanded, Looks
from wakeboard.instruments.scpi.psu_outputs import Limits, Outputs
from wakeboard.instruments.scpi.psu_status import ModeJudge
from wakeboard.instruments.scpi.spoken import Spoken

__all__ = ["Limits", "Psu"]
Ch = str | int
_NO_DELAY = {
    "on limit": "Its over-current protection has no delay, and an inrush would trip it: armed only where a step asks.",
    "level": "Its over-current protection has no delay: it is set above the limit, and acts only where that fails.",
}


class Psu(Spoken[PsuDialect]):
    """Channels are named "1", "2", …; numbers are taken too."""

    def __init__(self, link: Link, dialect: PsuDialect) -> None:
        super().__init__(link, dialect)
        self.outputs = Outputs(self.speaker, dialect)
        self.looks = Looks(self.outputs, dialect)
        self.repeated: set[str] = set()  # outputs that said on after the off command, and off after a second one
        self._most_delays: dict[str, float | None] = {}

    # --- who and what -----------------------------------------------------------------------------------------------
    def identify(self) -> Identity:
        """Ask *IDN?; takes the model's outputs from the dialect."""
        identity = super().identify()
        self.outputs.adopt(identity.text)
        self.looks.renew()
        return identity

    @property
    def channels(self) -> list[str]:
        return self.outputs.names

    @property
    def volts_accuracy(self) -> Accuracy:
        """Of the voltage readback of this model."""
        return self.outputs.volts_accuracy

    @property
    def amps_accuracy(self) -> Accuracy:
        """Of the current readback of this model."""
        return self.outputs.amps_accuracy

    @property
    def can(self) -> Can:
        """What the supply can and cannot do."""
        return self.dialect.can

    @property
    def settle_s(self) -> float | None:
        """s from a command to the output having moved, at most; None where the dialect has no figure."""
        return self.dialect.settle

    def cautions(self) -> list[str]:
        """What a person should know before this supply energises a board."""
        said = [*self.dialect.cautions, *([self.link.not_excluded] if self.link.not_excluded else [])]
        if others := not_kept_out(self.link.address, self.dialect.held is not None):
            said.append(others)
        can = self.dialect.can
        if not can.ovp:
            said.append("This supply has no over-voltage protection.")
        if can.ocp == "none":
            said.append("This supply has no over-current protection; the current limit and the guard are all there is.")
        elif not self.dialect.say.ocp_delay:
            said.append(_NO_DELAY[can.ocp])
        if not self.looks.state_questions(self.channels[0]):
            said.append("This supply cannot tell whether its output is on: look at its panel.")
        if can.outputs == "together":
            said.append("Its outputs switch on and off together.")
        said.append(f"Its current reading says little below {can.floor * 1000:g} mA.")
        return said

    def limits(self, ch: Ch) -> Limits:
        """From the dialect's table; what that leaves open is asked of the instrument."""
        return self.outputs.limits(self.outputs.known(ch))

    # --- settings ---------------------------------------------------------------------------------------------------
    def set(self, ch: Ch, volts: float, amps: float) -> None:
        """Set the limit, then the voltage; both read back. Raises SettingError, InstrumentFault, LinkError."""
        name = self.outputs.known(ch)
        self._within(name, volts, amps)
        say, ask = self.dialect.say, self.dialect.ask
        questions = [each for each in (ask.volts, ask.amps) if each is not None]
        known = self.looks.commanded.get(name)
        self.looks.commanded.pop(name, None)  # until it is read back, what the output is set to is not known
        lines = self.outputs.render(name, (*say.amps, *say.volts), volts=volts, amps=amps)
        replies = self.outputs.group(name, lines, questions)
        if ask.volts is not None and ask.amps is not None:
            self._compare(name, ask.volts, replies[0], volts, "V", self.outputs.limits(name).volts_step)
            self._compare(name, ask.amps, replies[1], amps, "A", self.outputs.limits(name).amps_step)
        if known is None:
            self.looks.commanded[name] = Commanded(volts, amps)
        else:
            known.volts, known.amps = volts, amps
            self.looks.commanded[name] = known

    def set_one_by_one(self, ch: Ch, volts: float, amps: float) -> None:
        """As `set` says it, each command by itself and nothing read back: InstrumentFault names the first that is
        refused. For an output that is off."""
        name = self.outputs.known(ch)
        say, ask = self.dialect.say, self.dialect.ask
        values = self.outputs.values(name)
        self.looks.commanded.pop(name, None)
        for line in self.outputs.render(name, (*say.amps, *say.volts), volts=volts, amps=amps):
            self.speaker.group([line], [], values)
        for question in (ask.volts, ask.amps):
            if question is not None:
                self.speaker.group([], [question], values)

    def _within(self, name: str, volts: float, amps: float) -> None:
        limits = self.outputs.limits(name)
        for value, least, most, unit in (
            (volts, limits.least_volts, limits.volts, "V"),
            (amps, 0.0, limits.amps, "A"),
        ):
            if not least <= value <= most * 1.0000001:
                raise SettingError(
                    f"{self.link.name} channel {name} can be set to {least:g} .. {most:g} {unit}, not {value:g} {unit}",
                    instrument=self.link.name,
                )

    def _compare(self, name: str, question: Asking, reply: str, wanted: float, unit: str, step: float) -> None:
        found = self.outputs.read_number(question, reply)
        if abs(found - wanted) > step * 1.01 + 1e-6 * abs(wanted):
            raise SettingError(
                f"{self.link.name} channel {name} was set to {wanted:g} {unit} and says {found:g} {unit}",
                instrument=self.link.name,
            )

    def check_settings(self, ch: Ch) -> None:
        """Compare what is set now with what was set here: another program, a person or a reset may have changed it."""
        name = self.outputs.known(ch)
        commanded = self.looks.commanded.get(name)
        if commanded is None:
            raise SettingError(
                f"{self.link.name} channel {name} has no voltage and limit set yet", instrument=self.link.name
            )
        ask = self.dialect.ask
        if ask.volts is None or ask.amps is None:
            return
        limits = self.outputs.limits(name)
        wanted = [
            (ask.volts, commanded.volts, "V", limits.volts_step),
            (ask.amps, commanded.amps, "A", limits.amps_step),
        ]
        if commanded.ovp is not None and ask.ovp is not None:
            wanted.append((ask.ovp, commanded.ovp, "V over-voltage", max(limits.volts_step, 0.1)))
        armed = self._armed(commanded)
        replies = self.outputs.ask(name, [*(each[0] for each in wanted), *(each[0] for each in armed)])
        for (question, value, unit, step), reply in zip(wanted, replies, strict=False):
            self._compare(name, question, reply, value, unit, step)
        for (question, expected), reply in zip(armed, replies[len(wanted) :], strict=True):
            self._check_protection(name, question, expected, reply)

    def _armed(self, commanded: Commanded) -> list[tuple[Asking, float | Literal[True]]]:
        """What tells that the protections that were armed are armed still."""
        ask = self.dialect.ask
        armed: list[tuple[Asking, float | Literal[True]]] = []
        if commanded.ovp is not None:
            armed += self._checks((ask.ovp_on, True))
        if commanded.ocp is not None:
            level = None if commanded.ocp is True else ask.ocp
            armed += self._checks((level, commanded.ocp), (ask.ocp_on, True))
        return armed

    def settings(self, ch: Ch) -> tuple[float, float]:
        """(volts, amps) as the instrument says it is set. Raises DialectError where it cannot tell."""
        name = self.outputs.known(ch)
        ask = self.dialect.ask
        if ask.volts is None or ask.amps is None:
            raise DialectError(f"{self.link.name} cannot tell its settings", instrument=self.link.name)
        volts, amps = self.outputs.ask(name, [ask.volts, ask.amps])
        return self.outputs.read_number(ask.volts, volts), self.outputs.read_number(ask.amps, amps)

    def ovp_level(self, ch: Ch) -> float | None:
        """V at which its over-voltage protection acts, as the instrument says; None where it cannot tell."""
        name, question = self.outputs.known(ch), self.dialect.ask.ovp
        return None if question is None or not self.dialect.can.ovp else self._number(name, question)

    # --- protections ------------------------------------------------------------------------------------------------
    def protect(self, ch: Ch, ovp: float | None = None, ocp: float | None = None, delay: float | None = None) -> None:
        """Arm the instrument's own protections, read back. DialectError where it has none (see `can`).

        ovp: V; ocp: A (where it trips at the current limit, any number arms it); delay: s before an over-current trips.
        """
        name = self.outputs.known(ch)
        lines: list[str] = []
        checks: list[tuple[Asking, float | Literal[True]]] = []
        say, ask, can = self.dialect.say, self.dialect.ask, self.dialect.can
        if ovp is not None:
            self._must(bool(say.ovp) and can.ovp, "over-voltage protection")
            lines += self.outputs.render(name, say.ovp, volts=ovp)
            checks += self._checks((ask.ovp, ovp), (ask.ovp_on, True))
        if delay is not None and say.ocp_delay:
            lines += self.outputs.render(name, say.ocp_delay, seconds=delay)
            checks += self._checks((ask.ocp_delay, delay))
        if ocp is not None:
            self._must(bool(say.ocp) and can.ocp != "none", "over-current protection")
            lines += self.outputs.render(name, say.ocp, amps=ocp)
            checks += self._checks((ask.ocp if can.ocp == "level" else None, ocp), (ask.ocp_on, True))
        replies = self.outputs.group(name, lines, [question for question, _ in checks])
        for (question, wanted), reply in zip(checks, replies, strict=True):
            self._check_protection(name, question, wanted, reply)
        commanded = self.looks.commanded.get(name)
        if commanded is not None:
            commanded.ovp = commanded.ovp if ovp is None else ovp
            commanded.ocp = commanded.ocp if ocp is None else (ocp if can.ocp == "level" else True)

    def unprotect(self, ch: Ch) -> None:
        """The over-current protection off, where it has a switch; after one that the supply did not take."""
        name = self.outputs.known(ch)
        self.speaker.errors()
        lines = self.outputs.render(name, self.dialect.say.ocp_off)
        if lines:
            self.outputs.group(name, lines, [])
        if name in self.looks.commanded:
            self.looks.commanded[name].ocp = None

    def most_ocp_delay(self, ch: Ch) -> float | None:
        """The longest that the over-current protection can be made to wait, s; None where it trips at once."""
        name = self.outputs.known(ch)
        if not self.dialect.say.ocp_delay:
            return None
        if name not in self._most_delays:
            question = self.dialect.ask.most_ocp_delay
            most = self.dialect.can.most_ocp_delay
            if question is not None:
                asked = partial(self._number, name, question)
                most = self.speaker.if_known("ask.most_ocp_delay", asked) or most
            self._most_delays[name] = most
        return self._most_delays[name]

    def _number(self, name: str, question: Asking) -> float:
        return self.outputs.read_number(question, self.outputs.ask(name, [question])[0])

    @staticmethod
    def _checks(*pairs: tuple[Asking | None, float | Literal[True]]) -> list[tuple[Asking, float | Literal[True]]]:
        return [(question, wanted) for question, wanted in pairs if question is not None]

    def _must(self, able: bool, what: str) -> None:
        if not able:
            raise DialectError(f"{self.link.name} ({self.dialect.title}) has no {what}", instrument=self.link.name)

    def _check_protection(self, name: str, question: Asking, wanted: float | Literal[True], reply: str) -> None:
        if wanted is True:
            if not self.speaker.read(question, reply, lambda text: truth(text, question.reply)):
                raise SettingError(
                    f"{self.link.name} channel {name}: a protection was armed and says that it is off",
                    instrument=self.link.name,
                )
            return
        limits = self.outputs.limits(name)
        self._compare(name, question, reply, wanted, "", max(10 * limits.volts_step, 0.005 * wanted))

    # --- on and off -------------------------------------------------------------------------------------------------
    def on(self, ch: Ch) -> None:
        """Compare the settings once more, switch on, verify. Raises SettingError when it does not come on."""
        name = self.outputs.known(ch)
        self.check_settings(name)
        self.looks.forget_events(name)
        commanded = self.looks.commanded[name]
        commanded.on = True
        state = self.looks.state_questions(name)
        if self.dialect.can.master:
            self._disarm_others(name)
        replies = self.outputs.group(name, self.outputs.render(name, self.dialect.say.on), state)
        if state and not self.looks.all_on(name, state, replies):
            trip = self.looks.tripped(name)
            raise SettingError(
                f"{self.link.name} channel {name} was switched on and is off" + (f": {trip} tripped" if trip else ""),
                instrument=self.link.name,
            )

    def _disarm_others(self, name: str) -> None:
        """A master switch brings on whatever is armed: nothing else may be."""
        for other in self.channels:
            commanded = self.looks.commanded.get(other)
            if other != name and not (commanded is not None and commanded.on):
                self.speaker.say(self.outputs.render(other, self.dialect.say.off))

    def off(self, ch: Ch) -> bool:
        """Switch off and verify: True. False where the supply cannot tell. Raises OutputOnError, LinkError."""
        name = self.outputs.known(ch)
        return self._switch_off([name], self.outputs.render(name, self.dialect.say.off))

    def all_off(self) -> bool:
        """Switch every output off and verify each. As `off`."""
        names = self.channels
        say = self.dialect.say
        if say.all_off:
            return self._switch_off(names, [each.format(**self.outputs.values(names[0])) for each in say.all_off])
        if self.dialect.can.outputs == "together":
            return self._switch_off(names, self.outputs.render(names[0], say.off))
        done = [self.off(name) for name in names]
        return all(done)

    def off_unheard(self, ch: Ch) -> None:
        """Send the off command and hear nothing of it: for a link that brings no sensible reply. Raises nothing."""
        name = str(ch)
        self.outputs.invent(name)
        self.speaker.say_unheard(self.outputs.render(name, self.dialect.say.off))

    def _switch_off(self, names: Sequence[str], lines: Sequence[str]) -> bool:
        if self.link.dirty:  # making it sure again takes time, and may fail: the command first
            self.speaker.say_unheard(lines)
        self.speaker.say(lines)
        for attempt in (1, 2):
            left = [name for name in names if self._still_on(name)]
            if not left:
                break
            if attempt == 2:
                raise OutputOnError(
                    f"{self.link.name} channel {', '.join(left)} was switched off and says that it is on{self._held()}",
                    instrument=self.link.name,
                )
            self.repeated.update(left)
            self.speaker.say(lines)
        for name in names:
            if name in self.looks.commanded:
                self.looks.commanded[name].on = False
        return bool(self.looks.state_questions(names[0]))

    def _held(self) -> str:
        """Why a supply may refuse to be switched off, as far as it tells: another program's lock."""
        try:
            told = self.speaker.held_elsewhere()
        except BenchError:
            return ""
        return f"; {told}" if told else ""

    def _still_on(self, name: str) -> bool:
        state = self.looks.state_questions(name)
        return bool(state) and self.looks.all_on(name, state, self.outputs.ask(name, state))

    def is_on(self, ch: Ch) -> bool:
        """What the supply says; what it was told, where it cannot say."""
        return self.looks.is_on(self.outputs.known(ch))

    # --- what it shows ----------------------------------------------------------------------------------------------
    def measure(self, ch: Ch) -> tuple[float, float]:
        """(volts, amps) at the supply's terminals; the drop in the leads is not in it."""
        return self.looks.measure(self.outputs.known(ch))

    def sample(self, ch: Ch) -> OutputSample:
        """Volts, amps, mode and state in one compound line where the supply takes it: what a guard polls."""
        return self.looks.sample(self.outputs.known(ch))

    def mode(self, ch: Ch) -> Mode:
        """ "cv", "cc", "off", "unregulated", or "unknown" where neither bits nor physics tell."""
        return self.sample(ch).mode

    def judge(self, ch: Ch) -> ModeJudge:
        """How far the status bits of an output are believed."""
        return self.looks.judge(self.outputs.known(ch))

    # --- trips ------------------------------------------------------------------------------------------------------
    def tripped(self, ch: Ch) -> Trip:
        """None, "ovp", "ocp" or "other"; an output that was switched on and is off counts as "other"."""
        return self.looks.tripped(self.outputs.known(ch))

    def untripped(self, ch: Ch) -> bool:
        """See ports.PsuPort."""
        return self.looks.untripped(self.outputs.known(ch))

    def clear(self, ch: Ch) -> bool:
        """Off, verified; zero volts; clear; verify that no trip is left and that clearing left the output off.

        Some supplies go back to the state before the trip when it is cleared, off command or not: hence zero volts. The
        output must be `set` again before `on`. True: clearing did switch it on, and it was switched off again.
        """
        name = self.outputs.known(ch)
        self.off(name)
        zero = max(0.0, self.outputs.limits(name).least_volts)
        say, restores = self.dialect.say, self.dialect.can.clear_restores != "no"
        lines = self.outputs.render(name, say.volts, volts=zero) if restores else []
        self.looks.commanded.pop(name, None)
        lines += self.outputs.render(name, say.clear)
        if lines:
            self.outputs.group(name, lines, [])
        self.looks.forget_events(name)
        restored = self._still_on(name)
        if restored:
            self.off(name)
        left = self.looks.tripped(name)
        if left is not None:
            raise SettingError(
                f"{self.link.name} channel {name}: the {left} trip is still there after clearing; "
                "is something outside feeding the output?",
                instrument=self.link.name,
            )
        return restored

    # --- errors and the rest ----------------------------------------------------------------------------------------
    def errors(self) -> list[tuple[int, str]]:
        """Take what the error queue holds: [(number, text)]."""
        return self.speaker.errors()

    def close(self) -> None:
        """End the session. Outputs stay as they are."""
        self.link.close()

    def after_reopening(self) -> None:
        if self.link.power_cycled:
            self.looks.forget()
            self.link.power_cycled = False

    def render(self, ch: Ch, templates: Iterable[str], **values: float) -> list[str]:
        """Commands for an output, selected first where this maker wants that."""
        return self.outputs.render(self.outputs.known(ch), templates, **values)
