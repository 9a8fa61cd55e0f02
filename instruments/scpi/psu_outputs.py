"""The outputs of a supply: what each can be set to, and how it is named in commands and questions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from wakeboard.instruments.dialect import Asking, Channel, PsuDialect
from wakeboard.instruments.errors import DialectError, OtherOutput
from wakeboard.instruments.link.replies import ReplyError, number
from wakeboard.instruments.scpi.speaker import Ready, Speaker

SELECTIONS = 3  # of the first output, until the answer is believed: somebody may be at the panel just then


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
        self._telling: bool | None = None

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
        self._telling = None

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
    def values(self, name: str) -> dict[str, object]:
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
        """Questions about an output, made ready for `ask_ready`, again and again."""
        return self.speaker.ready([*questions, *self._selected()], self.values(name), self._selecting(name))

    def ask_ready(self, name: str, ready: Ready) -> list[str]:
        """The replies. They are asked once more where the output was not selected any more. Raises OtherOutput."""
        replies = self.speaker.ask_ready(ready)
        if not self._telling:
            return replies
        if not self._is_selected(name, replies[-1]):
            replies = self.speaker.ask_ready(ready)
        return self._own(name, replies)

    def group(self, name: str, lines: Sequence[str], questions: Sequence[Asking]) -> list[str]:
        """Commands and questions of an output, see Speaker.group. Raises OtherOutput besides."""
        selected = self._selected()
        replies = self.speaker.group(lines, [*questions, *selected], self.values(name))
        return self._own(name, replies) if selected else replies

    # --- the selection is the instrument's: a hand at its panel, or another program, may move it between two messages
    def _selected(self) -> list[Asking]:
        """The question for the output that is selected, where it has to be asked and is answered."""
        question = self.dialect.ask.selected
        if self._telling is None:
            apart = question is not None and len(self._table) > 1 and not self.link.manners.compound
            self._telling = apart and self._tells()
        return [question] if self._telling and question is not None else []

    def _tells(self) -> bool:
        """Whether this instrument answers with the number that was selected: not every maker's page says so."""
        name, question = self.names[0], self.dialect.ask.selected
        if question is None:
            return False
        for _ in range(SELECTIONS):
            self.speaker.say(self._selecting(name))
            reply = self.speaker.if_known("ask.selected", lambda: self.speaker.ask([question], {})[0])
            if reply is None or self._is_selected(name, reply):
                return reply is not None
        return False

    def _is_selected(self, name: str, reply: str) -> bool:
        try:
            return bool(int(number(reply)) == self.values(name)["n"])
        except ReplyError:
            return False

    def _own(self, name: str, replies: list[str]) -> list[str]:
        if not self._is_selected(name, replies[-1]):
            raise OtherOutput(
                f"output {name} was selected, and {replies[-1].strip()} is: another program, or a hand at its panel, "
                "selects outputs of this supply, and no reply is sure to be of the right one",
                instrument=self.link.name,
            )
        return replies[:-1]

    def ask(self, name: str, questions: Sequence[Asking]) -> list[str]:
        """The replies, one a question; one that several questions share is asked for once."""
        different = list({each.send: each for each in questions}.values())
        replies = self.ask_ready(name, self.ready(name, different))
        found = {each.send: reply for each, reply in zip(different, replies, strict=True)}
        return [found[each.send] for each in questions]

    def read_number(self, question: Asking, reply: str) -> float:
        """A reply as a number; LinkGarbled where it is none."""
        return self.speaker.read(question, reply, lambda text: number(text, question.reply))
