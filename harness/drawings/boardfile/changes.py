"""What changed electrically between two revisions of a board, and what that mended and broke.

    found = changes_between(load_board("a.toml"), load_board("b.toml"))
    found.parts, found.nets, found.intent         sentences
    judged(a, b)                                  concerns that are gone, new, and still there

A net that only has another name is told as renamed, and its pins count as unmoved. Places and remarks are no change.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from wakeboard.harness.drawings.boardfile.draft import natural
from wakeboard.instruments.quantity import show

if TYPE_CHECKING:
    from wakeboard.harness.describe.board.board import Board
    from wakeboard.harness.review.concern import Concern
    from wakeboard.instruments.virtual.circuit.part import Part

_TABLES: Final = ("supplies", "rails", "lines")
_TELL: Final = 1e-9  # relative; what two spellings of one value may differ by


@dataclass
class Changes:
    """Sentences: parts that are new, gone or another; pins on other nets; nets renamed; supplies, rails and lines."""

    parts: list[str] = field(default_factory=list)
    nets: list[str] = field(default_factory=list)
    intent: list[str] = field(default_factory=list)

    @property
    def nothing(self) -> bool:
        return not (self.parts or self.nets or self.intent)


@dataclass(frozen=True)
class Aside:
    """Concerns of the old revision that are gone, of the new one that are new, and those in both."""

    mended: list[Concern]
    broken: list[Concern]
    still: list[Concern]


def changes_between(old: Board, new: Board) -> Changes:
    """Everything that a circuit could notice."""
    found = Changes()
    renamed = _renamed(old, new)
    found.nets += [f"net {a} is now called {b}" for a, b in renamed.items()]
    for name in sorted({*old.parts, *new.parts}, key=natural):
        if name not in new.parts:
            found.parts.append(f"{name} is gone ({_words(old.parts[name])})")
        elif name not in old.parts:
            found.parts.append(f"{name} is new ({_words(new.parts[name])} on {', '.join(_nets(new.parts[name]))})")
        else:
            found.parts += _part(old.parts[name], new.parts[name])
            found.nets += _pins(old.parts[name], new.parts[name], renamed)
    found.intent += _intent(old, new, renamed)
    return found


def judged(old: Board, new: Board) -> Aside:
    """Both reviewed. Raises CircuitError for a circuit that cannot be solved."""
    from wakeboard.harness.review.apart import apart
    from wakeboard.harness.review.review import review_board

    gone, still, brought = apart(review_board(old), review_board(new), _renamed(old, new))
    return Aside(gone, brought, still)


def _renamed(old: Board, new: Board) -> dict[str, str]:
    """Nets that join the same pins under another name."""
    here, there = _pins_by_net(old), _pins_by_net(new)
    by_pins = {pins: net for net, pins in there.items()}
    return {
        net: by_pins[pins]
        for net, pins in here.items()
        if net not in there and pins in by_pins and by_pins[pins] not in here and len(pins) > 1
    }


def _pins_by_net(board: Board) -> dict[str, frozenset[tuple[str, str]]]:
    found: dict[str, set[tuple[str, str]]] = {}
    for part in board.parts.values():
        for pin, net in part.pins.items():
            found.setdefault(net, set()).add((part.name, pin))
    return {net: frozenset(pins) for net, pins in found.items()}


# --- parts ----------------------------------------------------------------------------------------------------------
def _words(part: Part) -> str:
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    main = kind_of(part).main
    value = part.values.get(main or "")
    unit = kind_of(part).values[main].unit if main else ""
    return f"{part.kind} {show(value, unit)}" if isinstance(value, int | float) else part.kind


def _nets(part: Part) -> list[str]:
    return list(dict.fromkeys(part.pins.values()))


def _part(old: Part, new: Part) -> Iterator[str]:
    if old.kind != new.kind:
        yield f"{old.name} is a {_words(new)}, was a {_words(old)}"
        return
    for label, before, after in (
        ("", old.values, new.values),
        ("tolerance of ", old.tolerance, new.tolerance),
        ("max ", old.ratings, new.ratings),
    ):
        for path, was, now in _differing(before, after):
            yield f"{old.name}: {label}{path} is {_value(new, path, now)}, was {_value(old, path, was)}"


def _differing(
    before: Mapping[str, Any], after: Mapping[str, Any], path: str = ""
) -> Iterator[tuple[str, object, object]]:
    for key in dict.fromkeys([*before, *after]):
        was, now, here = before.get(key), after.get(key), f"{path}{key}"
        if isinstance(was, Mapping) or isinstance(now, Mapping):
            yield from _differing(was or {}, now or {}, f"{here}.")
        elif not _alike(was, now) and not here.endswith(".source"):
            yield here, was, now


def _alike(was: object, now: object) -> bool:
    if isinstance(was, int | float) and isinstance(now, int | float):
        return abs(was - now) <= _TELL * max(abs(was), abs(now))
    return bool(was == now)


def _value(part: Part, path: str, value: object) -> str:
    from wakeboard.instruments.virtual.circuit.parts import kind_of

    if value is None:
        return "not told"
    unit = kind_of(part).values[path].unit if path in kind_of(part).values else ""
    return show(float(value), unit) if isinstance(value, float) else str(value)


def _pins(old: Part, new: Part, renamed: Mapping[str, str]) -> Iterator[str]:
    for pin in dict.fromkeys([*old.pins, *new.pins]):
        was, now = old.pins.get(pin), new.pins.get(pin)
        if was != now and renamed.get(was or "") != now:
            yield f"{old.name}.{pin} is on {now or 'no net'}, was on {was or 'no net'}"


# --- intent ---------------------------------------------------------------------------------------------------------
def _intent(old: Board, new: Board, renamed: Mapping[str, str]) -> Iterator[str]:
    for table in _TABLES:
        before, after = getattr(old, table), getattr(new, table)
        word = table.removesuffix("s").replace("supplie", "supply")
        for name in dict.fromkeys([*before, *after]):
            if name not in after:
                yield f"the {word} {name} is gone"
            elif name not in before:
                yield f"the {word} {name} is new"
            else:
                yield from _keys(word, name, before[name], after[name], renamed)


def _keys(word: str, name: str, before: Any, after: object, renamed: Mapping[str, str]) -> Iterator[str]:
    for key in type(before).model_fields:
        was, now = getattr(before, key), getattr(after, key)
        if key not in ("place", "says") and was != now and not (key == "net" and renamed.get(was) == now):
            yield f"the {word} {name}: {key} is {_text(now)}, was {_text(was)}"


def _text(value: object) -> str:
    nominal = getattr(value, "nominal", None)
    if nominal is not None:
        return show(nominal, "V")
    shown = getattr(value, "show", None)
    return str(shown("V")) if callable(shown) else "not told" if value is None else str(value)
