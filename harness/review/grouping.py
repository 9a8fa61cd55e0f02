"""One mistake, one concern: what several rules, states or pins say of the same thing is put together.

Three steps. The same concern in several states is kept in its worst one, before others one in which every rail that it
rests on is as it should be. What shows only where such a rail is wrong follows from the rail, and goes with the concern
that says so. What names the same net, or comes through the same part, is one mistake, told by the rule that is nearest
to its cause.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from wakeboard.harness.describe.board.levels import LevelError, line_thresholds
from wakeboard.harness.review.study.supplied import CHARGERS, REGULATORS, in_line

if TYPE_CHECKING:
    from wakeboard.harness.review.concern import Concern
    from wakeboard.harness.review.study.study import Study

NEAREST: Final = (
    "divider", "never-on", "charge", "backfeed", "rail-limits", "headroom", "supervisor", "boot-mode", "phantom-power",
    "level-mismatch", "pull-up-window", "undefined-level", "weak-pull", "gate-drive", "reverse-path", "pin-conflict",
    "reserved-pin",
    "rating", "dissipation", "inrush", "crystal-load",
)  # fmt: skip
"""Rules by how near they are to the cause, where several tell of one mistake."""

RAIL_RULES: Final = ("divider", "never-on", "rail-limits", "headroom")
RESTS_ON_RAILS: Final = (
    "undefined-level", "weak-pull", "boot-mode", "level-mismatch", "rating", "dissipation", "gate-drive", "charge",
)  # fmt: skip
APART: Final = ("reserved-pin", "crystal-load")
"""What has nothing to do with anything else on the same net."""

VALVES: Final = ("mosfet", "bjt", "diode", "schottky", "zener", "ideal_diode", "load_switch", "esd_array")
PASSIVE: Final = ("resistor", "inductor", "fuse", "ptc", "switch", "button", "chip")


DRIVING: Final = 100e3
"""Ω; a resistor up to this may lie between a gate and the transistor that moves it; common practice, no source."""

SERIES: Final = 10e3
"""Ω; a resistor up to this between two nets that are no rails lies in a line; common practice, no source."""


def grouped(study: Study, found: Sequence[Concern]) -> list[Concern]:
    """The concerns, one a mistake, in the order of their heads."""
    alone = _worst(study, found)
    roots = [concern for concern in alone if concern.rule in RAIL_RULES]
    follows: dict[int, list[Concern]] = defaultdict(list)
    kept = []
    for concern in alone:
        root = _root(study, concern, roots)
        if root is None:
            kept.append(concern)
        else:
            follows[roots.index(root)].append(concern)
    kept = [replace(c, also=tuple(follows[roots.index(c)])) if c in roots else c for c in kept]
    return _joined(study, kept)


def _worst(study: Study, found: Iterable[Concern]) -> list[Concern]:
    """One concern a key: in a state where its rails are right before others, then the worst."""
    best: dict[tuple[object, ...], tuple[tuple[bool, bool, float], Concern]] = {}
    for concern in found:
        rank = (not _tainted(study, concern), concern.serious, concern.weight)
        if concern.key not in best or rank > best[concern.key][0]:
            best[concern.key] = (rank, concern)
    return [concern for _, concern in best.values()]


def _rails_under(study: Study, concern: Concern) -> set[str]:
    """The nets of the rails on which a concern rests: those that it names, and those of the parts on its nets."""
    rails = {rail.net for rail in study.board.rails.values()}
    named = set(concern.nets) & rails
    lines = _with_series(study, set(concern.nets) - rails - {study.board.ground}, rails)
    for part, pin, entry in study.chips():
        if part.pins[pin] in lines:
            named.add(study.rail_net(part, entry))
    for part in study.board.parts.values():
        if part.kind == "resistor" and set(part.pins.values()) & lines:
            named |= set(part.pins.values()) & rails
    for line in study.board.lines.values():
        if line.net in lines:
            named |= {study.board.net_of(need) for need in line.needs}
    k = study.case_of(concern.state) if concern.state else None
    if concern.rule == "rating" and not concern.path:  # what a supply gives: all that it feeds
        fed = {supply.name for supply in study.board.supplies.values() if supply.net in concern.nets}
        named |= {rail.net for name, rail in study.board.rails.items() if fed & study.board.supplies_of(name)}
    if concern.rule in ("rating", "dissipation", "level-mismatch") and k is not None:
        for net in lines - {study.board.ground}:
            named |= study.rails.on_the_way(net, k)
    return named & rails


def _with_series(study: Study, nets: set[str], rails: set[str], most: float = SERIES) -> set[str]:
    """Nets, and those that a resistor (Ω, at most) joins to them: a gate, and the pin that drives it."""
    fixed = rails | {study.board.ground} | {supply.net for supply in study.board.supplies.values()}
    found = set(nets)
    for part in study.board.parts.values():
        ends = set(part.pins.values())
        if part.kind == "resistor" and ends & nets and float(part.values["value"]) <= most and not ends & fixed:
            found |= ends
    return found


def _tainted(study: Study, concern: Concern) -> bool:
    """Whether a rail on which a concern rests is wrong in its state."""
    return bool(_wrong_under(study, concern) or _sagging(study, concern))


def _sagging(study: Study, concern: Concern) -> list[str]:
    """The supplies that are in their current limit in a concern's state, or that something pushes above what they may
    be: all else there may follow from that."""
    k = study.case_of(concern.state) if concern.state else None
    if k is None:
        return []
    case = study.cases[k]
    rails = study.rails
    told = concern.rule in ("backfeed", "charge")  # that a supply is pushed is what these say
    return [n for n in case.supplies if case.generous > 1 or rails.sags(n, k) or (not told and rails.pushed(n, k))]


def _wrong_under(study: Study, concern: Concern) -> set[str]:
    if concern.rule not in RESTS_ON_RAILS:
        return set()
    k = study.case_of(concern.state) if concern.state else None
    return set(study.rails.wrong[k]) & _rails_under(study, concern) if k is not None else set()


def _root(study: Study, concern: Concern, roots: Sequence[Concern]) -> Concern | None:
    """The concern about a rail from which another follows."""
    wrong = _wrong_under(study, concern)
    if concern.rule == "headroom":  # of the same rail: the rail's own limits tell it too
        return None
    if not wrong:
        return None
    before = set(wrong)
    for net in wrong:
        before |= _upstream(study, net)
    others = [root for root in roots if root is not concern]
    matching = [root for root in others if root.nets[0] in before]
    if not matching:  # by an enable that waits for another rail
        k = study.case_of(concern.state)
        matching = [root for root in others if k is not None and root.nets[0] in study.rails.bad[k]]
    return min(matching, key=_distance, default=None)


def _upstream(study: Study, net: str) -> set[str]:
    """The nets of the rails that feed one, and so on."""
    found: set[str] = set()
    todo = [net]
    for at in todo:
        for rail in study.rails_on(at):
            sources = {study.board.net_of(source) for source in rail.sources} - found
            found |= sources
            todo += sources
    return found


def _joined(study: Study, found: list[Concern]) -> list[Concern]:
    """Those that share a mark put together under the one nearest to the cause."""
    groups: list[tuple[set[object], list[Concern]]] = []
    for concern in found:
        marks = _marks(study, concern)
        members = [concern]
        apart = []
        for known, others in groups:
            if known & marks:
                marks |= known
                members = others + members
            else:
                apart.append((known, others))
        groups = [*apart, (marks, members)]
    return [_head(members) for _, members in groups]


def _marks(study: Study, concern: Concern) -> set[object]:
    """What makes two concerns one mistake: a line's net, a part that carries the current there, a rail."""
    if concern.rule == "inrush":  # what is fed back, or is on by mistake, charges capacitors too
        return {("charges", concern.nets[0]), *(("phantom-power", net) for net in concern.nets[1:])}
    if concern.rule in APART:
        return {(concern.rule, concern.nets, concern.path)}
    board = study.board
    power = {board.ground, *(rail.net for rail in board.rails.values()), *(s.net for s in board.supplies.values())}
    marks: set[object] = {("net", net) for net in concern.nets if net not in power}
    first = concern.nets[0] if concern.nets else ""
    if concern.rule in (*RAIL_RULES, "phantom-power", "backfeed", "charge"):
        marks.add((concern.rule, first))
    if concern.rule in RAIL_RULES:
        marks.add(("rail", first))
    if concern.rule == "rating" and not concern.path:
        marks |= {("phantom-power", net) for net in concern.nets[1:]}
    if concern.rule == "gate-drive":
        ends = [study.board.parts[concern.path[0]].pins[pin] for pin in ("S", "D")]
        marks |= {("rail", net) for net in ends if study.rails_on(net)}
    if concern.rule == "charge":
        marks.add(("charger", concern.path))
        own = {supply.name for supply in board.supplies.values() if supply.net in concern.nets[:1]}
        marks |= {(mark, name) for name in own for mark in ("takes", "sags")}
    marks |= {("sags", supply) for supply in _sagging(study, concern)}
    if concern.rule == "rail-limits":
        marks.add(("lifts", first))
    if concern.rule == "level-mismatch":
        rails = [net for net in concern.nets if net in power]
        marks |= {*(("lifts", rail) for rail in rails), ("levels", *rails)} if rails else set()
    if concern.rule in ("phantom-power", "backfeed", "level-mismatch", "rail-limits"):
        tail = _tail(study, concern)
        marks |= {("net", net) for net in _carrying(study, tail) if net not in power}
        levels = concern.rule == "level-mismatch"
        kinds = {name: study.board.parts[name].kind for name in tail}
        valves = tuple(name for name in tail if not levels or kinds[name] in VALVES)
        controls = _controlling(study, valves)
        marks |= {("net", net) for net in controls if net not in power}
        marks |= {("phantom-power", net) for net in controls & power - {board.ground}}
        carry = VALVES if levels else (*VALVES, *PASSIVE, *REGULATORS)
        marks |= {("through", name) for name, kind in kinds.items() if kind in carry}
    if concern.rule == "reverse-path":  # a transistor turned round feeds what lies behind it
        marks |= {("through", name) for name in concern.path if board.parts[name].kind == "mosfet"}
    if concern.rule == "backfeed":
        k = study.case_of(concern.state)
        marks |= {("charges", board.supplies[name].net) for name in (study.cases[k].supplies if k is not None else ())}
    if concern.rule == "pin-conflict":  # two lines not crossed: two outputs on one, two inputs on the other
        marks.add(("crossed", frozenset(pin.partition(".")[0] for pin in concern.path)))
    if concern.rule == "rating":
        marks |= {("takes", name) for name in _taking(study, concern)}
    if concern.rule == "dissipation" and study.board.parts[concern.path[0]].kind in CHARGERS:
        marks.add(("charger", concern.path))
    marks |= {("blocked", net) for net in _blocked(study, concern)}
    if concern.rule in ("headroom", "rating", "dissipation") and concern.path:
        fed = study.board.parts.get(concern.path[0])
        marks |= {("through", fed.name)} if fed is not None and fed.kind in REGULATORS else set()
    if concern.rule in ("rating", "dissipation"):
        marks.add(("part", concern.path or first))
        marks |= _of_its_state(study, concern)
    return marks


def _of_its_state(study: Study, concern: Concern) -> set[object]:
    """What a load too large may come of in its state: a rail that should be off; and, for what feeds many, a line at
    another level than it should have."""
    k = study.case_of(concern.state) if concern.state else None
    if k is None:
        return set()
    marks: set[object] = {("phantom-power", net) for net in study.up_though_off(k) if net in concern.nets}
    part = study.board.parts.get(concern.path[0]) if concern.path else None
    if concern.path and (part is None or part.kind not in REGULATORS):
        return marks
    case = study.cases[k]
    for name, line in study.board.lines.items():
        level = line.when.get(case.line_state if case.line == name else "boot")
        with suppress(LevelError):
            if level and line_thresholds(study.board, line).level(study.volts(line.net)[k]) != level:
                marks.add(("net", line.net))
    return marks


def _blocked(study: Study, concern: Concern) -> set[str]:
    """The supplies' nets behind a part that leads the wrong way: one side is fed back, the other gets nothing."""
    supplies = {supply.net: name for name, supply in study.board.supplies.items()}
    if concern.rule in ("backfeed", "charge"):
        return (
            set(concern.nets) & set(supplies) if concern.rule == "backfeed" else set(concern.nets[1:]) & set(supplies)
        )
    k = study.case_of(concern.state) if concern.rule in ("rail-limits", "never-on") and concern.state else None
    if k is None or any(study.board.parts[name].kind in REGULATORS for name in concern.path):
        return set()
    on = list(study.cases[k].supplies)
    return {study.board.supplies[on[0]].net} if len(on) == 1 else set()


def _taking(study: Study, concern: Concern) -> set[str]:
    """The supplies that a concern about a budget or about a clamp that always conducts is of."""
    board = study.board
    if not concern.path:
        return {name for name, supply in board.supplies.items() if supply.net in concern.nets[:1]}
    if board.parts.get(concern.path[0]) is None or board.parts[concern.path[0]].kind != "zener":
        return set()
    fed = {name for rail, each in board.rails.items() if each.net in concern.nets for name in board.supplies_of(rail)}
    return fed | {name for name, supply in board.supplies.items() if supply.net in concern.nets}


def _tail(study: Study, concern: Concern) -> tuple[str, ...]:
    """The parts of a concern's path after the last rail that is on as it should be: what lies before is as meant."""
    k = study.case_of(concern.state) if concern.state else None
    path = tuple(name for name in concern.path if name in study.board.parts)
    if k is None or concern.rule == "level-mismatch":
        return path
    case, target = study.cases[k], concern.nets[0]
    if concern.rule == "backfeed":  # what is on by the supply that is fed is no source of what feeds it
        own = {supply.name for supply in study.board.supplies.values() if supply.net == target}
        case = replace(case, supplies={name: volts for name, volts in case.supplies.items() if name not in own})
    on = {r.net for n, r in study.board.rails.items() if r.net != target and study.rail_should_be_on(n, case)}
    pins = [set(study.board.parts[name].pins.values()) - {study.board.ground} for name in path]
    last = max((i for i in range(1, len(path)) if pins[i - 1] & pins[i] <= on), default=0)
    return path[last:]


def _controlling(study: Study, path: tuple[str, ...]) -> set[str]:
    """The nets that switch the parts of a path: their gates and enables, and what switches these."""
    nets = {
        part.pins[pin]
        for name in path
        for part in [study.board.parts[name]]
        for pin in ("G", "B", "EN")
        if pin in part.pins and part.kind != "chip"
    }
    fixed = {study.board.ground, *(rail.net for rail in study.board.rails.values())}
    nets |= {rail for net in nets - fixed for rail in in_line(study, net)}
    nets = _with_series(study, nets - fixed, fixed, DRIVING) | (nets & fixed)
    for part in study.board.parts.values():
        if part.kind in ("mosfet", "bjt") and nets & {part.pins.get("D"), part.pins.get("C")}:
            own = {part.pins[pin] for pin in ("G", "B") if pin in part.pins} - fixed
            nets |= _with_series(study, own, fixed, DRIVING)
    return nets


def _carrying(study: Study, path: tuple[str, ...]) -> set[str]:
    """The nets of the small parts of a path: a pull-up there stands on the line that it pulls."""
    nets: set[str] = set()
    for name in path:
        part = study.board.parts.get(name)
        if part is not None and part.kind in ("resistor", "mosfet", "bjt", "diode", "schottky", "button"):
            nets |= set(part.pins.values())
    return nets


def _head(members: list[Concern]) -> Concern:
    """The serious one nearest to the cause, with the others under it and every net that they name."""
    if len(members) == 1:
        return members[0]
    order = sorted(members, key=lambda c: (not c.serious, _distance(c), -c.weight, c.nets))
    head, rest = order[0], order[1:]
    also = [*head.also, *(each for other in rest for each in (replace(other, also=()), *other.also))]
    return replace(head, also=tuple(also))


def _distance(concern: Concern) -> float:
    """A rail that something lifts is told after what lifts it, a supply that gives too much after what takes it; a pull
    that a maker's file shows before the level that it makes."""
    if concern.stated:
        return NEAREST.index("undefined-level") - 0.5
    if concern.rule == "rating" and not concern.path:  # after what takes it, before what only follows
        return NEAREST.index("undefined-level") - 0.4
    if concern.rule == "rating" and concern.unit == "V" and concern.path and not concern.state:
        return NEAREST.index("undefined-level") - 0.6
    lifted = concern.rule == "rail-limits" and len(concern.path) > 1
    if concern.rule not in NEAREST:  # of somebody's own
        return len(NEAREST)
    return NEAREST.index("level-mismatch") + 1 if lifted else NEAREST.index(concern.rule)
