"""What an output shows: volts, amps, mode, whether it is on, what has tripped. Questions only; nothing is set here.

A guard polls `sample`: its questions are made ready once for each output, in one compound line where the supply takes
that, and made anew when another protection is armed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from wakeboard.instruments.dialect import Asking, PsuDialect
from wakeboard.instruments.link.replies import number, searched, truth
from wakeboard.instruments.ports import Mode, OutputSample, Trip
from wakeboard.instruments.scpi.psu_outputs import Outputs
from wakeboard.instruments.scpi.psu_status import ModeJudge, flags_of, register_of, register_value
from wakeboard.instruments.scpi.speaker import Ready


@dataclass(slots=True)
class Commanded:
    """What was last set and read back; ocp: its level, or True where it trips at the limit."""

    volts: float
    amps: float
    ovp: float | None = None
    ocp: float | Literal[True] | None = None
    on: bool = False


@dataclass(frozen=True, slots=True)
class _Look:
    """The questions of a sample. places: where the reply to each of measured, registers, state and trips is."""

    ready: Ready
    places: tuple[int, ...]
    measured: tuple[Asking, ...]
    registers: tuple[str, ...]
    state: tuple[Asking, ...]
    trips: tuple[tuple[Trip, Asking], ...]
    armed: tuple[bool, bool]  # the protections that it was made for


@dataclass(frozen=True, slots=True)
class _Meaning:
    """What the words of a sample say: flags, whether it is on (None: they do not tell), a trip asked for directly."""

    flags: dict[str, bool]
    on: bool | None
    trip: Trip


_UNARMED = (False, False)


class Looks:
    """Of all outputs of a supply. `commanded`: what the driver has set, by output; it is the driver's to keep."""

    def __init__(self, outputs: Outputs, dialect: PsuDialect) -> None:
        self.outputs = outputs
        self.dialect = dialect
        self.speaker = outputs.speaker
        self.commanded: dict[str, Commanded] = {}
        self._doubted = dialect.any_doubt("status")
        self._latched: dict[str, dict[str, int]] = {}
        self._judges: dict[str, ModeJudge] = {}
        self._latches = any(each.latched for each in dialect.status.registers.values())
        self._looks: dict[str, _Look] = {}
        self._meanings: dict[str, tuple[tuple[_Look, tuple[str, ...]], _Meaning]] = {}
        self._flag_tables: dict[str, dict[str, str]] = {}

    def forget(self) -> None:
        """Nothing is known of any output any more: it was switched off and on."""
        self.commanded.clear()
        self._judges.clear()

    def renew(self) -> None:
        """The outputs have become known: questions that were made ready are made anew."""
        self._looks.clear()
        self._meanings.clear()

    def judge(self, name: str) -> ModeJudge:
        """How far the status bits of an output are believed."""
        if name not in self._judges:
            self._judges[name] = ModeJudge(trusted=not self._doubted)
        return self._judges[name]

    def _told(self, name: str) -> bool:
        """Whether the output was told to be on."""
        return name in self.commanded and self.commanded[name].on

    # --- on or off --------------------------------------------------------------------------------------------------
    def state_questions(self, name: str) -> list[Asking]:
        """The questions that tell whether an output is on: of its own, or the register that holds the bit."""
        if self.dialect.ask.on:
            return list(self.dialect.ask.on)
        flag = self._flags_table(name).get("on")
        if flag is None or self._doubted:
            return []
        return [self.dialect.status.registers[register_of(flag)].asking]

    def is_on(self, name: str) -> bool:
        """What the supply says; what it was told, where it cannot say."""
        state = self.state_questions(name)
        return self.all_on(name, state, self.outputs.ask(name, state)) if state else self._told(name)

    def all_on(self, name: str, state: Sequence[Asking], replies: Sequence[str]) -> bool:
        """What the replies to the state questions say."""
        if self.dialect.ask.on:
            said = [self._true(each, reply) for each, reply in zip(state, replies, strict=True)]  # a garbled one raises
            return all(said)
        register = register_of(self._flags_table(name)["on"])
        return bool(self._flags(name, [(register, replies[0])], only=("on",)).get("on"))

    def _sampled_on(
        self, name: str, state: Sequence[Asking], replies: Sequence[str], flags: dict[str, bool]
    ) -> bool | None:
        """None where the supply cannot tell."""
        if state:
            return self.all_on(name, state, replies)
        return flags["on"] if "on" in flags and not self._doubted else None

    # --- volts and amps ---------------------------------------------------------------------------------------------
    def measure(self, name: str) -> tuple[float, float]:
        """(volts, amps) at the supply's terminals."""
        questions = self._measure_questions()
        return self._measured(questions, self.outputs.ask(name, questions))

    def _measure_questions(self) -> list[Asking]:
        ask = self.dialect.ask
        if ask.measured is not None:
            return [ask.measured]
        return [each for each in (ask.measured_volts, ask.measured_amps) if each is not None]

    def _measured(self, questions: Sequence[Asking], replies: Sequence[str]) -> tuple[float, float]:
        first = questions[0]
        if self.dialect.ask.measured is not None and first.reply:
            pattern = first.reply
            groups = self.speaker.read(first, replies[0], lambda text: searched(text, pattern))
            volts, amps = groups.get("volts", ""), groups.get("amps", "")
            return self.speaker.read(first, volts, number), self.speaker.read(first, amps, number)
        read = self.outputs.read_number
        return read(first, replies[0]), read(questions[1], replies[1])

    # --- a sample ---------------------------------------------------------------------------------------------------
    def sample(self, name: str) -> OutputSample:
        """Volts, amps, mode, state and trip at one stroke."""
        look = self._look(name)
        replies = self.outputs.ask_ready(name, look.ready)
        time = self.outputs.link.clock.now()
        said = tuple([replies[place] for place in look.places])
        volts, amps = self._measured(look.measured, said)
        meaning = self._meaning(name, look, said[len(look.measured) :])
        on = self._told(name) if meaning.on is None else meaning.on
        trip = meaning.trip or self._trip_in(meaning.flags, name, on)
        mode = self._mode(name, volts, amps, meaning.flags, on and trip is None)
        return OutputSample(volts, amps, mode, on, trip, time)

    def _meaning(self, name: str, look: _Look, words: tuple[str, ...]) -> _Meaning:
        """Of all replies but volts and amps; the same words as the last time mean the same."""
        known = self._meanings.get(name)
        if known is None or known[0] != (look, words):
            known = (look, words), self._understood(name, look, words)
            if not self._latches:
                self._meanings[name] = known
        return known[1]

    def _understood(self, name: str, look: _Look, words: tuple[str, ...]) -> _Meaning:
        first, second = len(look.registers), len(look.registers) + len(look.state)
        flags = self._flags(name, zip(look.registers, words[:first], strict=True))
        on = self._sampled_on(name, look.state, words[first:second], flags)
        return _Meaning(flags, on, self._direct_trip(look.trips, words[second:]))

    def _look(self, name: str) -> _Look:
        commanded = self.commanded.get(name)
        armed = _UNARMED if commanded is None else (bool(commanded.ovp), bool(commanded.ocp))
        look = self._looks.get(name)
        if look is None or look.armed != armed:
            look = self._looks[name] = self._made_look(name, armed)
        return look

    def _made_look(self, name: str, armed: tuple[bool, bool]) -> _Look:
        measured = tuple(self._measure_questions())
        registers = {key: each.asking for key, each in self.dialect.status.registers.items() if each.polled}
        state, trips = tuple(self.dialect.ask.on), self._polled_trips(name, armed)
        questions = [*measured, *registers.values(), *state, *(each for _, each in trips)]
        different = {each.send: each for each in questions}  # one reply may serve several
        places = tuple(list(different).index(each.send) for each in questions)
        ready = self.outputs.ready(name, list(different.values()))
        return _Look(ready, places, measured, tuple(registers), state, trips, armed)

    def _polled_trips(self, name: str, armed: tuple[bool, bool]) -> tuple[tuple[Trip, Asking], ...]:
        """The direct questions for armed protections whose trip the polled bits do not tell for sure."""
        flags = {} if self._doubted else self._flags_table(name)
        wanted = [kind for kind, is_armed in zip(("ovp", "ocp"), armed, strict=True) if is_armed and kind not in flags]
        return tuple((kind, each) for kind, each in self._trip_questions() if kind in wanted)

    # --- what the status says ---------------------------------------------------------------------------------------
    def _mode(self, name: str, volts: float, amps: float, flags: dict[str, bool], on: bool) -> Mode:
        if not on:
            return "off"
        judge = self.judge(name)
        commanded = self.commanded.get(name)
        if commanded is None:
            return judge.by_bits(flags)
        limits = self.outputs.limits(name)
        volts_room = self.outputs.volts_accuracy.half_width(volts, 0.0) + 2 * limits.volts_step
        amps_room = self.outputs.amps_accuracy.half_width(amps, 0.0) + 2 * limits.amps_step
        return judge.mode(flags, volts - commanded.volts, amps - commanded.amps, volts_room, amps_room)

    def _flags_table(self, name: str) -> dict[str, str]:
        if name not in self._flag_tables:
            self._flag_tables[name] = self.dialect.status.of(name)
        return self._flag_tables[name]

    def _flags(
        self, name: str, replies: Iterable[tuple[str, str]], only: Sequence[str] | None = None
    ) -> dict[str, bool]:
        """Flag -> value from the registers that were read; latched registers gather until the trip is cleared."""
        table = self._flags_table(name)
        values: dict[str, Any] = {}
        for key, reply in replies:
            register = self.dialect.status.registers[key]
            value = self.speaker.read(register.asking, reply, partial(register_value, register=register))
            if register.latched and isinstance(value, int):
                latched = self._latched.setdefault(name, {})
                value = latched[key] = latched.get(key, 0) | value
            values[key] = value
        wanted = table if only is None else {flag: table[flag] for flag in only if flag in table}
        return flags_of(wanted, values)

    def forget_events(self, name: str) -> None:
        """Latched bits of long ago are read away before an output turns on."""
        self._latched.pop(name, None)
        latched = [each.asking for each in self.dialect.status.registers.values() if each.latched]
        if latched:
            self.outputs.ask(name, latched)

    # --- trips ------------------------------------------------------------------------------------------------------
    def tripped(self, name: str) -> Trip:
        """None, "ovp", "ocp" or "other"; an output that was switched on and is off counts as "other"."""
        direct = self._trip_questions()
        registers = {key: each.asking for key, each in self.dialect.status.registers.items()}
        state = self.state_questions(name) if self.dialect.ask.on else []
        questions = [*(each for _, each in direct), *registers.values(), *state]
        if not questions:
            return None
        replies = iter(self.outputs.ask(name, questions))
        trip = self._direct_trip(direct, [next(replies) for _ in direct])
        flags = self._flags(name, [(key, next(replies)) for key in registers])
        on = self._sampled_on(name, state, list(replies), flags)
        return trip or self._trip_in(flags, name, self._told(name) if on is None else on, asked_directly=bool(direct))

    def untripped(self, name: str) -> bool:
        """Whether the supply says of each armed protection that it has not tripped. What no page of the maker's has, is
        not believed."""
        commanded = self.commanded.get(name)
        armed = {kind for kind in ("ovp", "ocp") if commanded is not None and getattr(commanded, kind)}
        direct = {kind for kind, _ in self._trip_questions()}
        by_flags = set() if direct or self._doubted else set(self._flags_table(name))
        told = by_flags | {kind for kind in direct if not self.dialect.doubted(f"ask.{kind}_tripped")}
        return bool(armed) and armed <= told and self.tripped(name) is None

    def _trip_questions(self) -> list[tuple[Trip, Asking]]:
        ask = self.dialect.ask
        both: list[tuple[Trip, Asking | None]] = [("ovp", ask.ovp_tripped), ("ocp", ask.ocp_tripped)]
        return [(kind, each) for kind, each in both if each is not None]

    def _direct_trip(self, questions: Sequence[tuple[Trip, Asking]], replies: Sequence[str]) -> Trip:
        for (kind, question), reply in zip(questions, replies, strict=True):
            if self._true(question, reply):
                return kind
        return None

    def _trip_in(self, flags: dict[str, bool], name: str, on: bool, asked_directly: bool = False) -> Trip:
        if not asked_directly and not self._doubted:
            if flags.get("ovp"):
                return "ovp"
            if flags.get("ocp"):
                return "ocp"
            if flags.get("other"):
                return "other"
        return "other" if self._told(name) and not on else None

    def _true(self, question: Asking, reply: str) -> bool:
        return self.speaker.read(question, reply, lambda text: truth(text, question.reply))
