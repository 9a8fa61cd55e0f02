"""What a supply's status registers say, and how far they are believed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

from wakeboard.instruments.dialect import Register
from wakeboard.instruments.link.replies import ReplyError, integer, searched
from wakeboard.instruments.ports import Mode

_FLAG = re.compile(r"(!?)(\w+)(?:\.(\d+)|=(.+))\Z")
AGREEMENTS = 2  # moments without doubt that unverified bits must agree with


def register_value(reply: str, register: Register) -> int | str:
    """A register's reply as an integer, or as text for words. Raises ReplyError."""
    text = searched(reply, register.reply).get("value", "") if register.reply else reply
    if register.form == "byte":
        if len(text) != 1:
            raise ReplyError("it is not one byte")
        return ord(text)
    if register.form == "word":
        return text.strip().strip('"').upper()
    if register.form == "digits":
        digits = text.strip()
        if not digits or set(digits) - {"0", "1"} or len(digits) > 32:
            raise ReplyError("it is not a row of 0 and 1")
        return int(digits[::-1], 2)  # the first character is bit 0
    return integer(text)


def flags_of(table: Mapping[str, str], values: Mapping[str, int | str]) -> dict[str, bool]:
    """Each flag of a dialect's table whose register is among the values."""
    flags: dict[str, bool] = {}
    for flag, expression in table.items():
        register, holds = _test(expression)
        value = values.get(register)
        if value is not None:
            flags[flag] = holds(value)
    return flags


def register_of(expression: str) -> str:
    """The register that a flag is read from."""
    return _test(expression)[0]


@cache
def _test(expression: str) -> tuple[str, Callable[[int | str], bool]]:
    """(register, what its value must be for the flag to hold) of "ques.1", "!ques.1", "mode=CC|CCS"."""
    match = _FLAG.match(expression)
    assert match is not None, expression  # the dialect was checked
    negated = bool(match[1])
    if match[3] is not None:
        bit = 1 << int(match[3])
        return match[2], lambda value: (isinstance(value, int) and bool(value & bit)) != negated
    words = match[4].upper().split("|")
    return match[2], lambda value: (isinstance(value, str) and value in words) != negated


@dataclass(slots=True)
class ModeJudge:
    """Tells constant voltage from constant current for one output.

    trusted: the bits' meaning is from a maker's page. Otherwise they are put to the test at each moment where volts and
    amps against the settings leave no doubt, and believed after AGREEMENTS such moments without a contradiction.
    """

    trusted: bool
    agreed: int = 0
    refuted: bool = False

    def by_bits(self, flags: Mapping[str, bool]) -> Mode:
        """What the bits say, if they are believed."""
        if not self.trusted and (self.refuted or self.agreed < AGREEMENTS):
            return "unknown"
        return _said(flags)

    def mode(
        self, flags: Mapping[str, bool], over_volts: float, over_amps: float, volts_room: float, amps_room: float
    ) -> Mode:
        """over_volts, over_amps: reading minus setting; room: what the readback may be off by."""
        plain = _by_physics(over_volts, over_amps, volts_room, amps_room)
        if self.trusted:
            said = _said(flags)
            return plain if said == "unknown" else said
        if plain != "unknown":
            said = _said(flags)
            if said not in ("unknown", plain):
                self.refuted = True
            elif said == plain:
                self.agreed += 1
            return plain
        return self.by_bits(flags)


def _said(flags: Mapping[str, bool]) -> Mode:
    cc, cv = flags.get("cc"), flags.get("cv")
    if flags.get("unregulated") or (cc and cv):
        return "unregulated"
    if cc:
        return "cc"
    if cv:
        return "cv"
    return "unregulated" if cc is False and cv is False else "unknown"


def _by_physics(over_volts: float, over_amps: float, volts_room: float, amps_room: float) -> Mode:
    at_volts, at_limit = over_volts > -volts_room, over_amps > -amps_room
    if at_volts and not at_limit:
        return "cv"
    if at_limit and not at_volts:
        return "cc"
    return "unknown"
