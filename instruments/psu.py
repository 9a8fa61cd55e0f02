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
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from .dialect import Asking, Channel, PsuDialect, Register
from .errors import DialectError, OutputOnError, SettingError
from .identity import Identity
from .link import Link
from .psu_status import Mode, ModeJudge, Trip, flags_of, register_value
from .replies import number, searched, truth
from .speaker import Speaker

Ch = str | int


@dataclass(frozen=True, slots=True)
class Limits:
    """What an output can be set to: V, A, and its steps."""

    volts: float
    amps: float
    volts_step: float
    amps_step: float
    least_volts: float = 0.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at an output. trip: what the polled bits say, "other" when it was commanded on and is off."""

    volts: float
    amps: float
    mode: Mode
    on: bool
    trip: Trip = None
    time: float = 0.0


@dataclass(slots=True)
class _Commanded:
    """What was last set and read back; ocp: its level, or True where it trips at the limit."""

    volts: float
    amps: float
    ovp: float | None = None
    ocp: float | Literal[True] | None = None
    on: bool = False


class Psu:
    """Channels are named "1", "2", …; numbers are taken too."""

    def __init__(self, link: Link, dialect: PsuDialect) -> None:
        self.link = link
        self.dialect = dialect
        self.speaker = Speaker(link, dialect)
        self.identity: Identity | None = None
        self._table: dict[str, Channel] = dict(dialect.channels)
        self._limits: dict[str, Limits] = {}
        self._commanded: dict[str, _Commanded] = {}
        self._latched: dict[str, dict[str, int]] = {}
        self._judges: dict[str, ModeJudge] = {}
        self._samplers: dict[str, list[Asking]] = {}
        self.volts_accuracy = dialect.volts
        self.amps_accuracy = dialect.amps
        link.on_reopen.append(self._after_reopening)

    # --- who and what -----------------------------------------------------------------------------------------------
    def identify(self) -> Identity:
        """Ask *IDN?; takes the model's outputs from the dialect."""
        self.identity = self.speaker.identify()
        model = self.dialect.model_of(self.identity.text)
        if model is not None:
            self._table = {
                name: self.dialect.channels.get(name, Channel()).model_copy(update=each.model_dump(exclude_unset=True))
                for name, each in model.channels.items()
            }
            self.volts_accuracy = model.volts or self.dialect.volts
            self.amps_accuracy = model.amps or self.dialect.amps
            self._limits.clear()
        return self.identity

    @property
    def channels(self) -> list[str]:
        return list(self._table)

    @property
    def can(self) -> Any:
        """What the supply can and cannot do (dialect.Can)."""
        return self.dialect.can

    def cautions(self) -> list[str]:
        """What a person should know before this supply energises a board."""
        said = list(self.dialect.cautions)
        can = self.dialect.can
        if not can.ovp:
            said.append("This supply has no over-voltage protection.")
        if can.ocp == "none":
            said.append("This supply has no over-current protection; the current limit and the guard are all there is.")
        if not self._state_questions(self.channels[0]):
            said.append("This supply cannot tell whether its output is on: look at its panel.")
        if can.outputs == "together":
            said.append("Its outputs switch on and off together.")
        said.append(f"Its current reading says little below {can.floor * 1000:g} mA.")
        return said

    def limits(self, ch: Ch) -> Limits:
        """From the dialect's table; what that leaves open is asked of the instrument."""
        name = self._known(ch)
        if name not in self._limits:
            channel = self._table[name]
            volts = channel.volts if channel.volts is not None else self._most(name, self.dialect.ask.most_volts)
            amps = channel.amps if channel.amps is not None else self._most(name, self.dialect.ask.most_amps)
            self._limits[name] = Limits(
                volts, amps, channel.volts_step or 0.01, channel.amps_step or 0.01, channel.least_volts
            )
        return self._limits[name]

    def _most(self, name: str, question: Asking | None) -> float:
        if question is None:
            raise DialectError(
                f"dialect {self.dialect.name} does not know this model's outputs", instrument=self.link.name
            )
        return self._number(name, question)

    def _known(self, ch: Ch) -> str:
        name = str(ch)
        if name not in self._table:
            raise DialectError(
                f"{self.link.name} has no channel {name}; it has {', '.join(self._table)}", instrument=self.link.name
            )
        return name

    # --- settings ---------------------------------------------------------------------------------------------------
    def set(self, ch: Ch, volts: float, amps: float) -> None:
        """Set the limit, then the voltage; both read back. Raises SettingError, InstrumentFault, LinkError."""
        name = self._known(ch)
        self._within(name, volts, amps)
        say, ask = self.dialect.say, self.dialect.ask
        questions = [each for each in (ask.volts, ask.amps) if each is not None]
        known = self._commanded.get(name)
        self._commanded.pop(name, None)  # until it is read back, what the output is set to is not known
        lines = self.render(name, (*say.amps, *say.volts), volts=volts, amps=amps)
        replies = self.speaker.group(lines, questions, self._values(name))
        if ask.volts is not None and ask.amps is not None:
            self._compare(name, ask.volts, replies[0], volts, "V", self.limits(name).volts_step)
            self._compare(name, ask.amps, replies[1], amps, "A", self.limits(name).amps_step)
        if known is None:
            self._commanded[name] = _Commanded(volts, amps)
        else:
            known.volts, known.amps = volts, amps
            self._commanded[name] = known

    def _within(self, name: str, volts: float, amps: float) -> None:
        limits = self.limits(name)
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
        found = self._read_number(question, reply)
        if abs(found - wanted) > step * 1.01 + 1e-6 * abs(wanted):
            raise SettingError(
                f"{self.link.name} channel {name} was set to {wanted:g} {unit} and says {found:g} {unit}",
                instrument=self.link.name,
            )

    def check_settings(self, ch: Ch) -> None:
        """Compare what is set now with what was set here: another program, a person or a reset may have changed it."""
        name = self._known(ch)
        commanded = self._commanded.get(name)
        if commanded is None:
            raise SettingError(
                f"{self.link.name} channel {name} has no voltage and limit set yet", instrument=self.link.name
            )
        ask = self.dialect.ask
        if ask.volts is None or ask.amps is None:
            return
        limits = self.limits(name)
        wanted = [
            (ask.volts, commanded.volts, "V", limits.volts_step),
            (ask.amps, commanded.amps, "A", limits.amps_step),
        ]
        if commanded.ovp is not None and ask.ovp is not None:
            wanted.append((ask.ovp, commanded.ovp, "V over-voltage", max(limits.volts_step, 0.1)))
        replies = self._ask(name, [each[0] for each in wanted])
        for (question, value, unit, step), reply in zip(wanted, replies, strict=True):
            self._compare(name, question, reply, value, unit, step)

    def settings(self, ch: Ch) -> tuple[float, float]:
        """(volts, amps) as the instrument says it is set. Raises DialectError where it cannot tell."""
        name = self._known(ch)
        ask = self.dialect.ask
        if ask.volts is None or ask.amps is None:
            raise DialectError(f"{self.link.name} cannot tell its settings", instrument=self.link.name)
        volts, amps = self._ask(name, [ask.volts, ask.amps])
        return self._read_number(ask.volts, volts), self._read_number(ask.amps, amps)

    # --- protections ------------------------------------------------------------------------------------------------
    def protect(self, ch: Ch, ovp: float | None = None, ocp: float | None = None, delay: float | None = None) -> None:
        """Arm the instrument's own protections, read back. DialectError where it has none (see `can`).

        ovp: V; ocp: A (where it trips at the current limit, any number arms it); delay: s before an over-current trips.
        """
        name = self._known(ch)
        lines: list[str] = []
        checks: list[tuple[Asking, float | Literal[True]]] = []
        say, ask, can = self.dialect.say, self.dialect.ask, self.dialect.can
        if ovp is not None:
            self._must(bool(say.ovp) and can.ovp, "over-voltage protection")
            lines += self.render(name, say.ovp, volts=ovp)
            checks += self._checks((ask.ovp, ovp), (ask.ovp_on, True))
        if delay is not None and say.ocp_delay:
            lines += self.render(name, say.ocp_delay, seconds=delay)
        if ocp is not None:
            self._must(bool(say.ocp) and can.ocp != "none", "over-current protection")
            lines += self.render(name, say.ocp, amps=ocp)
            checks += self._checks((ask.ocp if can.ocp == "level" else None, ocp), (ask.ocp_on, True))
        replies = self.speaker.group(lines, [question for question, _ in checks], self._values(name))
        for (question, wanted), reply in zip(checks, replies, strict=True):
            self._check_protection(name, question, wanted, reply)
        commanded = self._commanded.get(name)
        if commanded is not None:
            commanded.ovp = commanded.ovp if ovp is None else ovp
            commanded.ocp = commanded.ocp if ocp is None else (ocp if can.ocp == "level" else True)

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
        limits = self.limits(name)
        self._compare(name, question, reply, wanted, "", max(10 * limits.volts_step, 0.005 * wanted))

    # --- on and off -------------------------------------------------------------------------------------------------
    def on(self, ch: Ch) -> None:
        """Compare the settings once more, switch on, verify. Raises SettingError when it does not come on."""
        name = self._known(ch)
        self.check_settings(name)
        self._forget_events(name)
        commanded = self._commanded[name]
        commanded.on = True
        state = self._state_questions(name)
        if self.dialect.can.master:
            self._disarm_others(name)
        replies = self.speaker.group(self.render(name, self.dialect.say.on), state, self._values(name))
        if state and not self._all_on(name, state, replies):
            trip = self.tripped(name)
            raise SettingError(
                f"{self.link.name} channel {name} was switched on and is off" + (f": {trip} tripped" if trip else ""),
                instrument=self.link.name,
            )

    def _disarm_others(self, name: str) -> None:
        """A master switch brings on whatever is armed: nothing else may be."""
        for other in self.channels:
            commanded = self._commanded.get(other)
            if other != name and not (commanded is not None and commanded.on):
                self.speaker.say(self.render(other, self.dialect.say.off))

    def off(self, ch: Ch) -> bool:
        """Switch off and verify: True. False where the supply cannot tell. Raises OutputOnError, LinkError."""
        name = self._known(ch)
        return self._switch_off([name], self.render(name, self.dialect.say.off))

    def all_off(self) -> bool:
        """Switch every output off and verify each. As `off`."""
        names = self.channels
        say = self.dialect.say
        if say.all_off:
            return self._switch_off(names, [each.format(**self._values(names[0])) for each in say.all_off])
        if self.dialect.can.outputs == "together":
            return self._switch_off(names, self.render(names[0], say.off))
        done = [self.off(name) for name in names]
        return all(done)

    def off_unheard(self, ch: Ch) -> None:
        """Send the off command and hear nothing of it: for a link that brings no sensible reply. Raises nothing."""
        name = str(ch)
        self._table.setdefault(name, Channel())
        self.speaker.say_unheard(self.render(name, self.dialect.say.off))

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
                    f"{self.link.name} channel {', '.join(left)} was switched off and says that it is on",
                    instrument=self.link.name,
                )
            self.speaker.say(lines)
        for name in names:
            if name in self._commanded:
                self._commanded[name].on = False
        return bool(self._state_questions(names[0]))

    def _still_on(self, name: str) -> bool:
        state = self._state_questions(name)
        return bool(state) and self._all_on(name, state, self._ask(name, state))

    def is_on(self, ch: Ch) -> bool:
        """What the supply says; what it was told, where it cannot say."""
        name = self._known(ch)
        state = self._state_questions(name)
        if not state:
            return name in self._commanded and self._commanded[name].on
        return self._all_on(name, state, self._ask(name, state))

    def _state_questions(self, name: str) -> list[Asking]:
        """The questions that tell whether an output is on: of its own, or the register that holds the bit."""
        if self.dialect.ask.on:
            return list(self.dialect.ask.on)
        flag = self.dialect.status.of(name).get("on")
        if flag is None or self.dialect.doubted("status"):
            return []
        return [_asking(self.dialect.status.registers[_register_name(flag)])]

    def _all_on(self, name: str, state: Sequence[Asking], replies: Sequence[str]) -> bool:
        if self.dialect.ask.on:
            pairs = zip(state, replies, strict=True)
            said = [self.speaker.read(each, reply, _truth_of(each)) for each, reply in pairs]
            return all(said)
        flag = self.dialect.status.of(name)["on"]
        register = _register_name(flag)
        return bool(self._flags(name, [(register, replies[0])], only=("on",)).get("on"))

    # --- readings ---------------------------------------------------------------------------------------------------
    def measure(self, ch: Ch) -> tuple[float, float]:
        """(volts, amps) at the supply's terminals; the drop in the leads is not in it."""
        name = self._known(ch)
        questions = self._measure_questions()
        return self._read_measured(questions, self._ask(name, questions))

    def _measure_questions(self) -> list[Asking]:
        ask = self.dialect.ask
        if ask.measured is not None:
            return [ask.measured]
        return [each for each in (ask.measured_volts, ask.measured_amps) if each is not None]

    def _read_measured(self, questions: Sequence[Asking], replies: Sequence[str]) -> tuple[float, float]:
        first = questions[0]
        if self.dialect.ask.measured is not None and first.reply:
            pattern = first.reply
            groups = self.speaker.read(first, replies[0], lambda text: searched(text, pattern))
            volts, amps = groups.get("volts", ""), groups.get("amps", "")
            return self.speaker.read(first, volts, number), self.speaker.read(first, amps, number)
        return self._read_number(questions[0], replies[0]), self._read_number(questions[1], replies[1])

    def sample(self, ch: Ch) -> Sample:
        """Volts, amps, mode and state in one compound line where the supply takes it: what a guard polls."""
        name = self._known(ch)
        measured = self._measure_questions()
        registers = [(key, each) for key, each in self.dialect.status.registers.items() if each.polled]
        state = list(self.dialect.ask.on)
        trips = self._polled_trips(name)
        questions = [*measured, *(_asking(each) for _, each in registers), *state, *(each for _, each in trips)]
        replies = iter(self._ask(name, questions))
        time = self.link.clock.now()
        volts, amps = self._read_measured(measured, [next(replies) for _ in measured])
        flags = self._flags(name, [(key, next(replies)) for key, _ in registers])
        on = self._sampled_on(name, state, [next(replies) for _ in state], flags)
        direct = self._direct_trip(trips, list(replies))
        trip = direct or self._trip_in(flags, name, on)
        return Sample(volts, amps, self._mode(name, volts, amps, flags, on and trip is None), on, trip, time)

    def _polled_trips(self, name: str) -> list[tuple[Trip, Asking]]:
        """The direct questions for armed protections whose trip the polled bits do not tell for sure."""
        commanded = self._commanded.get(name)
        flags = {} if self.dialect.doubted("status") else self.dialect.status.of(name)
        armed = {"ovp": commanded is not None and commanded.ovp, "ocp": commanded is not None and commanded.ocp}
        return [(kind, each) for kind, each in self._trip_questions() if kind and armed[kind] and kind not in flags]

    def _trip_questions(self) -> list[tuple[Trip, Asking]]:
        ask = self.dialect.ask
        both: list[tuple[Trip, Asking | None]] = [("ovp", ask.ovp_tripped), ("ocp", ask.ocp_tripped)]
        return [(kind, each) for kind, each in both if each is not None]

    def _direct_trip(self, questions: Sequence[tuple[Trip, Asking]], replies: Sequence[str]) -> Trip:
        for (kind, question), reply in zip(questions, replies, strict=True):
            if self.speaker.read(question, reply, _truth_of(question)):
                return kind
        return None

    def _sampled_on(self, name: str, state: Sequence[Asking], replies: Sequence[str], flags: dict[str, bool]) -> bool:
        if state:
            return self._all_on(name, state, replies)
        if "on" in flags and not self.dialect.doubted("status"):
            return flags["on"]
        return name in self._commanded and self._commanded[name].on

    def mode(self, ch: Ch) -> Mode:
        """ "cv", "cc", "off", "unregulated", or "unknown" where neither bits nor physics tell."""
        return self.sample(ch).mode

    def _mode(self, name: str, volts: float, amps: float, flags: dict[str, bool], on: bool) -> Mode:
        judge = self.judge(name)
        commanded = self._commanded.get(name)
        if not on:
            return "off"
        if commanded is None:
            return judge.by_bits(flags)
        volts_room = self.volts_accuracy.half_width(volts, 0.0) + 2 * self.limits(name).volts_step
        amps_room = self.amps_accuracy.half_width(amps, 0.0) + 2 * self.limits(name).amps_step
        return judge.mode(flags, volts - commanded.volts, amps - commanded.amps, volts_room, amps_room)

    def _flags(
        self, name: str, replies: Iterable[tuple[str, str]], only: Sequence[str] | None = None
    ) -> dict[str, bool]:
        """Flag -> value from the registers that were read; latched registers gather until the trip is cleared."""
        table = self.dialect.status.of(name)
        latched = self._latched.setdefault(name, {})
        values: dict[str, Any] = {}
        for key, reply in replies:
            register = self.dialect.status.registers[key]
            value = self.speaker.read(_asking(register), reply, partial(register_value, register=register))
            if register.latched and isinstance(value, int):
                value = latched[key] = latched.get(key, 0) | value
            values[key] = value
        wanted = table if only is None else {flag: table[flag] for flag in only if flag in table}
        return flags_of(wanted, values)

    # --- trips ------------------------------------------------------------------------------------------------------
    def tripped(self, ch: Ch) -> Trip:
        """None, "ovp", "ocp" or "other"; an output that was switched on and is off counts as "other"."""
        name = self._known(ch)
        direct = self._trip_questions()
        registers = list(self.dialect.status.registers.items())
        state = self._state_questions(name) if self.dialect.ask.on else []
        questions = [*(each for _, each in direct), *(_asking(each) for _, each in registers), *state]
        if not questions:
            return None
        replies = iter(self._ask(name, questions))
        trip = self._direct_trip(direct, [next(replies) for _ in direct])
        flags = self._flags(name, [(key, next(replies)) for key, _ in registers])
        on = self._sampled_on(name, state, list(replies), flags)
        return trip or self._trip_in(flags, name, on, asked_directly=bool(direct))

    def _trip_in(self, flags: dict[str, bool], name: str, on: bool, asked_directly: bool = False) -> Trip:
        if not asked_directly and not self.dialect.doubted("status"):
            if flags.get("ovp"):
                return "ovp"
            if flags.get("ocp"):
                return "ocp"
            if flags.get("other"):
                return "other"
        commanded = self._commanded.get(name)
        return "other" if commanded is not None and commanded.on and not on else None

    def _forget_events(self, name: str) -> None:
        """Latched bits of long ago are read away before an output turns on."""
        self._latched.pop(name, None)
        latched = [_asking(each) for each in self.dialect.status.registers.values() if each.latched]
        if latched:
            self._ask(name, latched)

    def clear(self, ch: Ch) -> bool:
        """Off, verified; zero volts; clear; verify that no trip is left and that clearing left the output off.

        Some supplies go back to the state before the trip when it is cleared, off command or not: hence zero volts. The
        output must be `set` again before `on`. True: clearing did switch it on, and it was switched off again.
        """
        name = self._known(ch)
        self.off(name)
        zero = max(0.0, self.limits(name).least_volts)
        lines = self.render(name, self.dialect.say.volts, volts=zero) if self.dialect.can.clear_restores != "no" else []
        self._commanded.pop(name, None)
        lines += self.render(name, self.dialect.say.clear)
        if lines:
            self.speaker.group(lines, [], self._values(name))
        self._forget_events(name)
        restored = self._still_on(name)
        if restored:
            self.off(name)
        left = self.tripped(name)
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

    def _after_reopening(self) -> None:
        if self.link.power_cycled:
            self._commanded.clear()
            self._judges.clear()
            self.link.power_cycled = False

    def _values(self, name: str) -> dict[str, Any]:
        digits = "".join(each for each in name if each.isdigit())
        return {"ch": self._table[name].say or name, "n": int(digits or "1")}

    def judge(self, ch: Ch) -> ModeJudge:
        """How far the status bits of an output are believed."""
        return self._judges.setdefault(self._known(ch), ModeJudge(trusted=not self.dialect.doubted("status")))

    def render(self, name: str, templates: Iterable[str], **values: float) -> list[str]:
        """Commands for an output, selected first where this maker wants that."""
        lines = [each.format(**self._values(name), **values) for each in templates]
        select = self.dialect.say.select
        if not lines or select is None or len(self._table) == 1:
            return lines
        return [select.format(**self._values(name)), *lines]

    def _ask(self, name: str, questions: Sequence[Asking]) -> list[str]:
        select = self.dialect.say.select
        before = [] if select is None or len(self._table) == 1 else [select.format(**self._values(name))]
        different = list({each.send: each for each in questions}.values())  # one reply may serve several
        replies = self.speaker.ask(different, self._values(name), before)
        found = {each.send: reply for each, reply in zip(different, replies, strict=True)}
        return [found[each.send] for each in questions]

    def _number(self, name: str, question: Asking) -> float:
        return self._read_number(question, self._ask(name, [question])[0])

    def _read_number(self, question: Asking, reply: str) -> float:
        return self.speaker.read(question, reply, lambda text: number(text, question.reply))


def _truth_of(question: Asking) -> Any:
    return lambda text: truth(text, question.reply)


def _asking(register: Register) -> Asking:
    return Asking(send=register.send, reply=register.reply, length=register.length)


def _register_name(flag: str) -> str:
    return flag.lstrip("!").partition(".")[0].partition("=")[0]
