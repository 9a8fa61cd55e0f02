"""Asks an instrument that no dialect knows harmless questions, to begin a dialect for it.

    with introduce(address) as link:
        found = look(link)                what it is like, which questions it answers, which it refused
    text = beginning(found)               the file; `wakeboard bench --probe` writes it

Harmless: questions only, and of those only what reads settings and states, and a supply's own readback. Nothing is set,
switched, selected, triggered, tested or calibrated; a meter is not made to measure (its ohms drive a current). The
questions are those of our dialects; the dialect of which most are answered is the nearest one. What rests on commands
stays unproven: no command was given. An instrument may beep at a question that it does not know.
"""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from wakeboard.instruments.dialect import Asking, Dialect, PsuDialect, dialect_names, load_dialect, pick_dialect
from wakeboard.instruments.dialect_tables import SAMPLE, DmmDialect
from wakeboard.instruments.errors import DialectError, LinkBusy, LinkError, LinkRefused, LinkTimeout, VisaMissing
from wakeboard.instruments.link.identity import like_identity, parse_identity
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.manners import Manners
from wakeboard.instruments.link.replies import (
    ReplyError,
    channels_of,
    error_entry,
    number,
    searched,
    split_units,
    truth,
)

PATIENCE: Final = 0.8  # s for an answer that may never come
SLOW: Final = 10.0  # s after which nobody answers
FIRST: Final = {
    "psu": ("ask.volts", "ask.amps", "ask.on"),
    "dmm": ("function",),
    "scanner": ("closed", "state"),
    "scope": ("scale", "time_scale"),
}
"""What tells a kind, and within it the nearest dialect."""
NEAREST: Final = 3  # dialects whose questions are asked whole
MOST_ENTRIES: Final = 30  # of its error queue: more than the 20 that are usual (common practice, no source)
_NEVER: Final = re.compile(r"(?i)\A:?(READ|FETC|INIT|TRIG|CAL|DIAG|TEST|ABOR|\*TST|\*CAL|\*LRN|\*TRG|\*RST|AER|INR)")
_MEASURES: Final = re.compile(r"(?i)\A:?(MEAS|\*?IDN\?.*MEAS)")
_NAMES_OUTPUT: Final = re.compile(r"\{(ch|n)\b[^}]*\}")
_TRUTHS: Final = ("on", "ovp_on", "ocp_on", "ovp_tripped", "ocp_tripped", "input", "state", "held")
_TEXTS: Final = ("function", "terminals", "calibrated", "measured", "held")
_COMMANDS: Final = {
    "psu": ("say", "status", "can", "volts", "amps"),
    "dmm": ("quantities",),
    "scanner": ("close", "open", "life", "rated_volts", "rated_amps", "settle"),
    "scope": ("show", "hide", "time", "trigger", "stop", "single", "armed", "done", "wave", "gain"),
}


_NEEDED: Final = {"scope": ("armed", "done", "scale", "time_scale")}
"""Keys that a dialect cannot be without: taken over, unproven, where the question was refused or not asked."""


@dataclass(frozen=True)
class Reply:
    """A question of a dialect's key, and what came: the reply, or why it does not count as one."""

    key: str
    question: Asking
    line: str
    reply: str = ""
    refused: str = ""


@dataclass
class Found:
    """What an instrument is like. kind: "" where nothing tells; nearest: the dialect of which it answers most."""

    address: str
    identity: str
    manners: Manners
    kind: str = ""
    nearest: str = ""
    fits: str = ""  # a dialect whose identity pattern fits
    checked: bool = False
    error: Asking | None = None
    answers: list[Reply] = field(default_factory=list)
    channels: dict[str, dict[str, float]] = field(default_factory=dict)  # outputs: "volts", "amps" at most

    @property
    def answered(self) -> list[Reply]:
        return [each for each in self.answers if not each.refused]

    @property
    def refused(self) -> list[Reply]:
        return [each for each in self.answers if each.refused]


def introduce(address: str, *, visa: str | None = None, resource_manager: object = None) -> Link:
    """A link on which somebody says who answers, in one of the manners that our dialects know. Raises LinkError: of
    what came before what did not come, and of what comes too late."""
    last: LinkError | None = None
    odd = ""
    for manners in _manners():
        link = Link.open(address, name="unknown", visa=visa, resource_manager=resource_manager, manners=manners,
                         timeout=2 * PATIENCE)  # fmt: skip
        try:
            text = link.query(manners.identify)
            if like_identity(text):
                link.identity = text.strip()
                return link
            link.close()
            odd = odd or text
        except (LinkRefused, LinkBusy, VisaMissing):
            link.close()
            raise
        except LinkError as error:
            link.close()
            last = error if last is None or isinstance(last, LinkTimeout) else last
        except BaseException:  # a Ctrl-C among them
            link.close()
            raise
    if odd:
        says = f"what answers does not say who it is: {odd[:40]!r} came"
        raise LinkError(says, instrument="unknown", address=address, command=Manners().identify)
    if isinstance(last, LinkTimeout):
        _must_not_be_slow(address, visa, resource_manager)
    raise last or LinkError("what answers does not say who it is", instrument="unknown", address=address)


def _must_not_be_slow(address: str, visa: str | None, resource_manager: object) -> None:
    """Raises LinkTimeout with how late it is where it says who it is after all."""
    link = Link.open(address, name="unknown", visa=visa, resource_manager=resource_manager, timeout=SLOW)
    try:
        began = link.clock.now()
        found = like_identity(link.query(Manners().identify))
        took = link.clock.now() - began
    except LinkError:
        return
    finally:
        link.close()
    if found:
        raise LinkTimeout(
            f"it says who it is after {took:.1f} s only: too slow to be asked the rest, and as a supply too slow to be "
            "guarded", instrument="unknown", address=address, command=Manners().identify,
        )  # fmt: skip


def _manners() -> list[Manners]:
    """Line ends and questions of identity, the common ones first."""
    found = [Manners(), Manners(terminator="\r\n")]
    for name in dialect_names():
        table = load_dialect(name).link
        found.append(Manners(terminator=table.terminator, reply_terminator=table.reply_terminator,
                             identify=table.identify))  # fmt: skip
    return list(dict.fromkeys(found))


def harmless(line: str, kind: str) -> bool:
    """Whether a line only reads settings and states; of a supply also what it measures of its own output."""
    units = [each.strip() for each in line.split(";")]
    return all(
        "?" in each and not _NEVER.match(each) and (kind == "psu" or not _MEASURES.match(each)) for each in units
    )


def look(link: Link, kind: str | None = None) -> Found:
    """Ask. Raises LinkError where the instrument no longer answers at all."""
    return _Asker(link).look(kind)


class _Asker:
    def __init__(self, link: Link) -> None:
        self.link = link
        self.found = Found(link.address, link.identity or "", link.manners)
        self._asked: dict[str, Reply] = {}

    def look(self, kind: str | None) -> Found:
        found = self.found
        self._find_queue()
        found.checked = self._takes_compound()
        kinds = [kind] if kind else list(FIRST)
        ranked = sorted(((self._score(name, FIRST[each]), name) for each in kinds for name in dialect_names(each)),
                        key=lambda pair: pair[0], reverse=True)  # fmt: skip
        best = [name for score, name in ranked[:NEAREST] if score[0]]
        if not best:
            return found
        found.kind = load_dialect(best[0]).kind
        best = [name for name in best if load_dialect(name).kind == found.kind]
        found.nearest = max(best, key=lambda name: self._score(name, None))
        found.answers = [
            self._answer(load_dialect(found.nearest), *each) for each in self._questions(found.nearest, None)
        ]
        self._fill(best)
        self._fits()
        if found.kind == "psu":
            self._channels()
        return found

    # --- the queue, compound lines ----------------------------------------------------------------------------------
    def _find_queue(self) -> None:
        errors = [question for name in dialect_names() if (question := load_dialect(name).error) is not None]
        for question in {each.send: each for each in errors}.values():
            if not harmless(question.send, ""):
                continue
            try:
                error_entry(self.link.query(question.send, PATIENCE))
            except (LinkError, ReplyError):
                continue
            self.found.error = question
            self._entries()
            return

    def _entries(self) -> str:
        """What the error queue holds, taken out of it; "" for nothing."""
        question, told = self.found.error, list[str]()
        for _ in range(MOST_ENTRIES if question else 0):
            assert question is not None
            try:
                code, text = error_entry(self.link.query(question.send, PATIENCE))
            except (LinkError, ReplyError):
                break
            if not code:
                break
            told.append(f"{code} {text}".strip())
        return ", ".join(told[:2])

    def _takes_compound(self) -> bool:
        try:
            reply = self.link.query(f"{self.link.manners.identify};*OPC?", PATIENCE)
        except LinkError:
            self._entries()
            return False
        return not self._entries() and split_units(reply)[1:] in (["1"], ["+1"])

    # --- questions --------------------------------------------------------------------------------------------------
    def _questions(self, name: str, keys: tuple[str, ...] | None) -> Iterator[tuple[str, Asking]]:
        for key, question in questions_of(load_dialect(name)):
            if keys is None or key in keys:
                yield key, question

    def _score(self, name: str, keys: tuple[str, ...] | None) -> tuple[int, int]:
        """Questions answered; of these the ones that say which output they ask after, which proves more."""
        dialect = load_dialect(name)
        good = [each for each in self._questions(name, keys) if not self._answer(dialect, *each).refused]
        return len(good), sum(_NAMES_OUTPUT.search(question.send) is not None for _, question in good)

    def _answer(self, dialect: Dialect, key: str, question: Asking) -> Reply:
        line = question.send.format(**_values(dialect, "1"))
        if line not in self._asked:
            self._asked[line] = self._ask(dialect.kind, key, question, line)
        known = self._asked[line]
        return Reply(key, question, line, known.reply, known.refused or _unlike(key, question, known.reply))

    def _ask(self, kind: str, key: str, question: Asking, line: str) -> Reply:
        if not harmless(line, kind):
            return Reply(key, question, line, refused="not asked: it does more than read")
        try:
            reply = self.link.query(line, PATIENCE, length=question.length)
        except LinkError:
            return Reply(key, question, line, refused=self._entries() or "no answer")
        return Reply(key, question, line, reply.strip(), self._entries())

    def _fill(self, others: list[str]) -> None:
        """What the nearest dialect's question did not bring, asked as the next nearest ask it."""
        for place, answer in enumerate(self.found.answers):
            for name in others if answer.refused else ():
                tries = [self._answer(load_dialect(name), *each) for each in self._questions(name, (answer.key,))]
                good = [each for each in tries if not each.refused]
                if good:
                    self.found.answers[place] = good[0]
                    break

    def _fits(self) -> None:
        try:
            self.found.fits = pick_dialect(self.found.identity, self.found.kind).name
        except DialectError:
            return

    def _channels(self) -> None:
        """Outputs that can be asked after without being selected, with what they can be set to."""
        dialect = load_dialect(self.found.nearest)
        assert isinstance(dialect, PsuDialect)
        by_key = {each.key: each for each in self.found.answered}
        asked = by_key.get("ask.volts")
        if asked is None:
            return
        names = [str(each) for each in range(1, 5)] if _NAMES_OUTPUT.search(asked.question.send) else ["1"]
        for name in names:
            if self._answer_on(dialect, asked, name) is None:
                break
            most = {what: self._answer_on(dialect, by_key.get(f"ask.most_{what}"), name) for what in ("volts", "amps")}
            self.found.channels[name] = {what: value for what, value in most.items() if value}

    def _answer_on(self, dialect: PsuDialect, answer: Reply | None, channel: str) -> float | None:
        if answer is None:
            return None
        line = answer.question.send.format(**_values(dialect, channel))
        told = self._asked.get(line) or self._ask("psu", answer.key, answer.question, line)
        try:
            return None if told.refused else number(told.reply, answer.question.reply)
        except ReplyError:
            return None


def _values(dialect: Dialect, channel: str) -> dict[str, object]:
    """What stands in a template: the output as the maker writes it, a scanner's channel."""
    said = dialect.channels[channel].say if isinstance(dialect, PsuDialect) and channel in dialect.channels else ""
    of = "101" if dialect.kind == "scanner" else said or channel
    return {**SAMPLE, "ch": of, "n": int(channel) if dialect.kind != "scanner" else 101}


def questions_of(dialect: Dialect) -> Iterator[tuple[str, Asking]]:
    """The questions of a dialect by key; of several under one key the first."""
    tables: dict[str, Any] = {"": dialect}
    if isinstance(dialect, PsuDialect):
        tables["ask."] = dialect.ask
    if isinstance(dialect, DmmDialect):
        tables |= {f'quantities."{name}".': table for name, table in dialect.quantities.items()}
    for prefix, table in tables.items():
        for name in type(table).model_fields:
            found = getattr(table, name)
            first = found[0] if isinstance(found, tuple) and found and isinstance(found[0], Asking) else found
            if isinstance(first, Asking) and name not in ("error", "read"):
                yield f"{prefix}{name}", first


def _unlike(key: str, question: Asking, reply: str) -> str:
    """Why a reply cannot be the answer; "" where it can."""
    name = key.rpartition(".")[2]
    try:
        if name == "closed":
            channels_of(reply)
        elif name in _TRUTHS:
            truth(reply, question.reply)
        elif name in _TEXTS or question.reply:
            searched(reply, question.reply or r"\S")
        else:
            number(reply, question.reply)
    except ReplyError as error:
        return f"answers {reply[:40]!r}: {error.why}"
    return ""


# --- the file ---------------------------------------------------------------------------------------------------------
def beginning(found: Found, today: datetime.date | None = None) -> str:
    """The beginning of a dialect file: what was found, as keys with the replies; what is unproven, listed."""
    day, who = (today or datetime.date.today()).isoformat(), parse_identity(found.identity)
    refused = [each for each in found.refused if each.key not in _NEEDED.get(found.kind, ())]
    gone = [each.key.replace('"', "") for each in refused] + (["error"] if found.error is None else [])
    keys = {each.key for each in found.answered}
    unproven = [*_COMMANDS[found.kind], *(["channels"] if found.kind == "psu" else [])]
    lines = [
        f"# The beginning of a dialect, written on {day}: what the instrument answered to harmless questions.",
        "# Nothing was set, switched or measured, so no command in it is proven. Next: read the maker's programming",
        "# manual, mend what differs, name the page in [sources], take the key out of `unverified`; then",
        "# `wakeboard bench BENCH --conform` with nothing connected. The keys: instruments/drivers.md.",
        f"kind = {_text(found.kind)}",
        f"title = {_text(f'{who.maker} {who.model}'.strip())}",
        f"idn = [{_text(_pattern(found.identity))}]",
        f"based_on = {_text(found.nearest)}",
        f"without = {_list([*(['models', 'channels'] if found.kind == 'psu' else []), *gone])}",
        f"unverified = {_list(unproven)}",
    ]
    if found.error is not None:
        lines.append(f"error = {_asking(found.error)}")
    lines += [
        f"{each.key} = {_asking(each.question)}  # {_reply(each)}" for each in found.answered if "." not in each.key
    ]
    lines += [f"# {each.key}: refused {each.line!r}: {_comment(each.refused)}" for each in found.refused]
    lines += [
        "",
        "[link]",
        f"terminator = {_text(found.manners.terminator)}",
        f"checked = {str(found.checked).lower()}",
    ]
    if found.manners.reply_terminator is not None:
        lines.append(f"reply_terminator = {_text(found.manners.reply_terminator)}")
    if found.manners.identify != "*IDN?":
        lines.append(f"identify = {_text(found.manners.identify)}")
    if not found.checked:
        lines.append("compound = false")
    lines += _table(found, "ask", "ask.")
    for name in dict.fromkeys(key.rpartition(".")[0] for key in keys if key.startswith("quantities.")):
        lines += _table(found, name, f"{name}.")
    for channel, most in found.channels.items() or ({"1": dict[str, float]()}.items() if found.kind == "psu" else ()):
        lines += ["", f"[channels.{channel}]", *(f"{what} = {value:g}" for what, value in most.items())]
        said = _said(found.nearest, channel)
        lines += [f"say = {_text(said)}"] if said else []
    lines += ["", "[sources]", f"all = {_text(f'M: taken over from {found.nearest}, unproven on this instrument')}"]
    lines += [f"{json.dumps(each.key)} = {_text(f'I: answered on {day}')}" for each in found.answered]
    return "\n".join(lines) + "\n"


def _table(found: Found, name: str, prefix: str) -> list[str]:
    rows = [each for each in found.answered if each.key.startswith(prefix)]
    if not rows:
        return []
    lines = [f"{each.key.removeprefix(prefix)} = {_listed(each)}  # {_reply(each)}" for each in rows]
    return ["", f"[{name}]", *lines]


def _listed(answer: Reply) -> str:
    return f"[{_asking(answer.question)}]" if answer.key == "ask.on" else _asking(answer.question)


def _said(nearest: str, channel: str) -> str:
    dialect = load_dialect(nearest)
    known: Mapping[str, Any] = dialect.channels if isinstance(dialect, PsuDialect) else {}
    return known[channel].say if channel in known else ""


def _asking(question: Asking) -> str:
    fields = {name: value for name, value in question.model_dump(exclude_defaults=True).items() if name != "send"}
    if not fields:
        return _text(question.send)
    more = [f"{name} = {_text(value) if isinstance(value, str) else f'{value:g}'}" for name, value in fields.items()]
    return "{ " + ", ".join([f"send = {_text(question.send)}", *more]) + " }"


def _reply(answer: Reply) -> str:
    return f"answered {_comment(answer.reply)}"


def _comment(text: str) -> str:
    """What came from outside, on one line of a comment: TOML takes no control characters there."""
    return json.dumps(text[:80])[1:-1]


def _pattern(identity: str) -> str:
    who = parse_identity(identity)
    return "^" + re.escape(f"{who.maker},{who.model}" if "," in identity else identity.split()[0]).replace(r"\ ", " ")


def _list(names: list[str]) -> str:
    return "[" + ", ".join(map(_text, names)) + "]"


def _text(text: str) -> str:
    return f"'{text}'" if "'" not in text and text.isprintable() else json.dumps(text)
