"""The outputs of a supply: what each can be set to, and how it is named in commands and questions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from wakeboard.instruments.dialect import Asking, Channel, PsuDialect
from wakeboard.instruments.errors import DialectError
from wakeboard.instruments.link.replies import number
from wakeboard.instruments.scpi.speaker import Ready, Speaker


@dataclass(frozen=True, slots=True)
class Limits:
    """What an output can be set to: V, A, and its steps."""

    volts: float
    amps: float
    volts_step: float
    amps_step: float
    least_volts: float = 0.0


class Outputs:
    """By name: "1", "2", …; numbers are taken too. Accuracies are of the readback."""

    def __init__(self, speaker: Speaker, dialect: PsuDialect) -> None:
        self.speaker = speaker
        self.link = speaker.link
        self.dialect = dialect
        self.volts_accuracy = dialect.volts
        self.amps_accuracy = dialect.amps
        self._table: dict[str, Channel] = dict(dialect.channels)
        self._limits: dict[str, Limits] = {}

    def adopt(self, identity: str) -> None:
        """Take the model's outputs from the dialect, where its identity tells the model."""
        model = self.dialect.model_of(identity)
        if model is None:
            return
        self._table = {
            name: self.dialect.channels.get(name, Channel()).model_copy(update=each.model_dump(exclude_unset=True))
            for name, each in model.channels.items()
        }
        self.volts_accuracy = model.volts or self.dialect.volts
        self.amps_accuracy = model.amps or self.dialect.amps
        self._limits.clear()

    @property
    def names(self) -> list[str]:
        return list(self._table)

    def known(self, ch: str | int) -> str:
        """The name. Raises DialectError for an output that the supply has not got."""
        name = str(ch)
        if name not in self._table:
            raise DialectError(
                f"{self.link.name} has no channel {name}; it has {', '.join(self._table)}", instrument=self.link.name
            )
        return name

    def invent(self, name: str) -> None:
        """An output that nobody has asked about: for a command to a supply that does not answer."""
        self._table.setdefault(name, Channel())

    def limits(self, name: str) -> Limits:
        """From the dialect's table; what that leaves open is asked of the instrument."""
        if name not in self._limits:
            channel = self._table[name]
            volts = (
                channel.volts if channel.volts is not None else self._most(name, "volts", self.dialect.ask.most_volts)
            )
            amps = channel.amps if channel.amps is not None else self._most(name, "amps", self.dialect.ask.most_amps)
            self._limits[name] = Limits(
                volts, amps, channel.volts_step or 0.01, channel.amps_step or 0.01, channel.least_volts
            )
        return self._limits[name]

    def _most(self, name: str, what: str, question: Asking | None) -> float:
        if question is None:
            raise DialectError(
                f"dialect {self.dialect.name} does not know this model's outputs: [channels.{name}] needs {what}, the "
                "most that it can be set to",
                instrument=self.link.name,
            )
        return self.read_number(question, self.ask(name, [question])[0])

    # --- commands and questions -------------------------------------------------------------------------------------
    def values(self, name: str) -> dict[str, Any]:
        """What stands for an output in templates."""
        digits = "".join(each for each in name if each.isdigit())
        return {"ch": self._table[name].say or name, "n": int(digits or "1")}

    def _selecting(self, name: str) -> list[str]:
        select = self.dialect.say.select
        return [] if select is None or len(self._table) == 1 else [select.format(**self.values(name))]

    def render(self, name: str, templates: Iterable[str], **values: float) -> list[str]:
        """Commands for an output, selected first where this maker wants that."""
        lines = [each.format(**self.values(name), **values) for each in templates]
        return [*self._selecting(name), *lines] if lines else []

    def ready(self, name: str, questions: Sequence[Asking]) -> Ready:
        """Questions about an output, made ready to be asked again and again."""
        return self.speaker.ready(questions, self.values(name), self._selecting(name))

    def ask(self, name: str, questions: Sequence[Asking]) -> list[str]:
        """The replies, one a question; one that several questions share is asked for once."""
        different = list({each.send: each for each in questions}.values())
        replies = self.speaker.ask_ready(self.ready(name, different))
        found = {each.send: reply for each, reply in zip(different, replies, strict=True)}
        return [found[each.send] for each in questions]

    def read_number(self, question: Asking, reply: str) -> float:
        """A reply as a number; LinkGarbled where it is none."""
        return self.speaker.read(question, reply, lambda text: number(text, question.reply))
