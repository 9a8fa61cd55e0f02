"""Linear algebra of one member: sparse elimination along a plan, and dense elimination with pivoting.

An ideal source's equation has no conductance of its own to divide by. The node that it sets takes the source's equation
as its row, and the source's current that node's sum of currents: both pivots are then 1 (`seat`), provided that the
current goes first, then the node, then the source's other end (`wait`, `after`).

The plan of a pattern is made once: every entry that the elimination will touch (fill-ins too) has a slot in a flat
array, and the products run along flat lists of slots. Slot 0 takes what belongs to ground and is never read. There is
no pivoting along a plan: whoever calls looks at what comes out, and Newton's residual check at the end of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from . import Array, Marks, Places, compiled, inner, shared
from .elements import SOURCE, Blocks, Extras


class Plan(NamedTuple):
    """Slots and lists for one pattern of n unknowns: nodes (ground, 0, left out), then the sources' branches.

    node: (n,) which unknown is eliminated k-th; diagonal: (size,) slot of each one's pivot; start: (n + 1,) where the
    k-th one's neighbours begin in the lists other (unknown), lower (slot of (other, k)), upper (slot of (k, other));
    target: slots that products lower × upper are taken from, all pairs in turn; stamp_*: what the partials add;
    held: (nodes,) slot of what each node passes to ground; owner: (S,) the node that each source sets, 0 for none;
    source: (S, 5) slots of the source's current at its two nodes, of these nodes' volts and of its current in its row.
    """

    slots: int
    node: Places
    diagonal: Places
    start: Places
    other: Places
    lower: Places
    upper: Places
    target: Places
    stamp_slot: Places
    stamp_partial: Places
    stamp_sign: Array
    extra_slot: Places  # (E, 4): of (first, first), (second, second), (first, second), (second, first)
    held: Places
    owner: Places
    source: Places


@compiled
def least_first(touch: Marks, wait: Places, after: Places) -> Places:
    """An order of elimination, that of least degree, from which unknowns touch (n, n); ground (0) is left out.

    wait: (n,) how many must go before each; after: (n,) which one waits for it, 0 for none. touch and wait are used up.
    """
    nodes = len(touch)
    degree = np.zeros(nodes, dtype=np.int64)
    for a in range(nodes):
        for b in range(1, nodes):
            if touch[a, b] and a != b:
                degree[a] += 1
    left = np.ones(nodes, dtype=np.bool_)
    order = np.zeros(nodes - 1, dtype=np.int64)
    around = np.zeros(nodes, dtype=np.int64)
    for k in range(nodes - 1):
        best = 0
        for a in range(1, nodes):
            if left[a] and wait[a] == 0 and (best == 0 or degree[a] < degree[best]):
                best = a
        order[k] = best
        left[best] = False
        if after[best] > 0:
            wait[after[best]] -= 1
        count = 0
        for a in range(1, nodes):
            if touch[best, a] and left[a]:
                around[count] = a
                count += 1
        for i in range(count):
            a = around[i]
            degree[a] -= 1
            for j in range(count):
                b = around[j]
                if a != b and not touch[a, b]:
                    touch[a, b] = True
                    degree[a] += 1
    return order


@inner
def _neighbours(touch: Marks, n: int, start: Places, later: Places) -> None:
    """Where the later neighbours of each node begin (n + 1,), and which they are, by place in the order of elimination.

    touch (n + 1, n + 1), by place, takes the fill-ins; later has room for all pairs.
    """
    count = 0
    for k in range(n):
        begin = count
        for j in range(k + 1, n):
            if touch[k, j]:
                later[count] = j
                count += 1
        for i in range(begin, count):
            for j in range(begin, count):
                touch[later[i], later[j]] = True
        start[k + 1] = count


@inner
def _number(start: Places, later: Places, n: int, slot: Places) -> None:
    """Slots of the diagonal and of what lies below and above it, one pivot after the other: k, (j, k), (k, j)."""
    at = 1
    for k in range(n):
        slot[k, k] = at
        at += 1
        for s in range(start[k], start[k + 1]):
            slot[later[s], k] = at
            slot[k, later[s]] = at + 1
            at += 2


@inner
def _targets(start: Places, later: Places, n: int, slot: Places) -> Places:
    """The slots that the products of each pivot's neighbours are taken from."""
    count = 0
    for k in range(n):
        count += (start[k + 1] - start[k]) ** 2
    target, t = np.empty(count, dtype=np.uint32), 0
    for k in range(n):
        for a in range(start[k], start[k + 1]):
            for b in range(start[k], start[k + 1]):
                target[t] = slot[later[a], later[b]]
                t += 1
    return target


@inner
def _stamps(
    place: Places, row: Places, slot: Places, plus: Places, minus: Places, slope_of: Places, slope_by: Places,
    at: Places, which: Places, sign: Array,
) -> int:  # fmt: skip
    """Slot, partial and sign of everything that a partial adds to the matrix, and how many; none falls on ground."""
    count = 0
    for q in range(len(slope_of)):
        o, i = slope_of[q], slope_by[q]
        if plus[o] == minus[o] or plus[i] == minus[i]:
            continue
        for corner in range(4):
            r = minus[o] if corner & 1 else plus[o]
            c = minus[i] if corner & 2 else plus[i]
            if r > 0 and c > 0:
                at[count] = slot[row[r], place[c]]
                which[count] = q
                sign[count] = 1.0 if corner == 0 or corner == 3 else -1.0
                count += 1
    return count


@compiled
def planned(
    order: Places, seat: Places, owner: Places, port: int, plus: Places, minus: Places, slope_of: Places,
    slope_by: Places, first: Places, second: Places,
) -> Plan:  # fmt: skip
    """The plan for the pattern of ports (plus, minus) and partials (slope_of, slope_by: port numbers), with further
    conductances between the nodes first and second; order: the unknowns but ground as they are eliminated; seat, owner:
    see Structure; port: that of the first source."""
    n, sources = len(order), len(owner)
    nodes = n + 1 - sources
    place = np.full(n + 1, n, dtype=np.int64)  # ground: a row and a column more, of slot 0
    for k in range(n):
        place[order[k]] = k
    row = place[seat]  # where each equation stands
    touch = np.zeros((n + 1, n + 1), dtype=np.bool_)
    for q in range(len(slope_of)):
        o, i = slope_of[q], slope_by[q]
        for a in (row[plus[o]], row[minus[o]]):
            for b in (place[plus[i]], place[minus[i]]):
                touch[a, b] = touch[b, a] = True
    for k in range(len(first)):
        for a in (row[first[k]], row[second[k]]):
            for b in (place[first[k]], place[second[k]]):
                touch[a, b] = touch[b, a] = True
    for k in range(1, nodes):
        touch[row[k], place[k]] = touch[place[k], row[k]] = True
    for j in range(sources):
        own, branch = row[nodes + j], place[nodes + j]
        touch[own, branch] = touch[branch, own] = True
        for end in (plus[port + j], minus[port + j]):
            touch[row[end], branch] = touch[branch, row[end]] = True
            touch[own, place[end]] = touch[place[end], own] = True
    start, later = np.zeros(n + 1, dtype=np.int64), np.empty(n * (n - 1) // 2, dtype=np.int64)
    _neighbours(touch, n, start, later)
    slot = np.zeros((n + 1, n + 1), dtype=np.int64)
    _number(start, later, n, slot)
    diagonal, node = np.zeros(n + 1, dtype=np.uint32), np.empty(n, dtype=np.uint32)
    edges = start[n]
    other, lower = np.empty(edges, dtype=np.uint32), np.empty(edges, dtype=np.uint32)
    upper = np.empty(edges, dtype=np.uint32)
    for k in range(n):
        node[k], diagonal[order[k]] = order[k], slot[k, k]
        for s in range(start[k], start[k + 1]):
            other[s], lower[s], upper[s] = order[later[s]], slot[later[s], k], slot[k, later[s]]
    at, which = np.empty(4 * len(slope_of), dtype=np.uint32), np.empty(4 * len(slope_of), dtype=np.uint32)
    sign = np.empty(4 * len(slope_of))
    count = _stamps(place, row, slot, plus, minus, slope_of, slope_by, at, which, sign)
    extra_slot = np.empty((len(first), 4), dtype=np.uint32)
    for k in range(len(first)):
        a, b, ra, rb = place[first[k]], place[second[k]], row[first[k]], row[second[k]]
        extra_slot[k, 0], extra_slot[k, 1] = slot[ra, a], slot[rb, b]
        extra_slot[k, 2], extra_slot[k, 3] = slot[ra, b], slot[rb, a]
    held, source = np.zeros(nodes, dtype=np.uint32), np.empty((sources, 5), dtype=np.uint32)
    for k in range(1, nodes):
        held[k] = slot[row[k], place[k]]
    for j in range(sources):
        a, b, own, branch = plus[port + j], minus[port + j], row[nodes + j], place[nodes + j]
        source[j, 0], source[j, 1] = slot[row[a], branch], slot[row[b], branch]
        source[j, 2], source[j, 3], source[j, 4] = slot[own, place[a]], slot[own, place[b]], slot[own, branch]
    return Plan(
        1 + n + 2 * start[n], node, diagonal, start, other, lower, upper, _targets(start, later, n, slot),
        at[:count].copy(), which[:count].copy(), sign[:count].copy(), extra_slot, held, owner, source,
    )  # fmt: skip


@shared
def fill(plan: Plan, blocks: Blocks, partial: Array, held: Array, extra_siemens: Array, value: Array) -> None:
    """The matrix into its slots: partials, held (nodes,) S from each node to ground, extra conductances, sources."""
    value.fill(0.0)
    for k in range(len(plan.stamp_slot)):
        value[plan.stamp_slot[k]] += plan.stamp_sign[k] * partial[plan.stamp_partial[k]]
    for k in range(1, len(plan.held)):
        value[plan.held[k]] += held[k]
    for k in range(len(plan.extra_slot)):
        g = extra_siemens[k]
        value[plan.extra_slot[k, 0]] += g
        value[plan.extra_slot[k, 1]] += g
        value[plan.extra_slot[k, 2]] -= g
        value[plan.extra_slot[k, 3]] -= g
    n, d = blocks.counts[SOURCE], blocks.partial[SOURCE]
    for j in range(n):
        value[plan.source[j, 0]] += 1.0
        value[plan.source[j, 1]] -= 1.0
        value[plan.source[j, 2]] += partial[d + n + j]
        value[plan.source[j, 3]] -= partial[d + n + j]
        value[plan.source[j, 4]] -= partial[d + 2 * n + j]


@shared
def factor(plan: Plan, value: Array) -> None:
    """Eliminate in place: the diagonal is inverted, `lower` holds the factors."""
    t = 0
    for k in range(len(plan.node)):
        d = plan.diagonal[plan.node[k]]
        inverse = 1.0 / value[d]
        value[d] = inverse
        begin, end = plan.start[k], plan.start[k + 1]
        for a in range(begin, end):
            share = value[plan.lower[a]] * inverse
            value[plan.lower[a]] = share
            if share != 0.0:
                for b in range(begin, end):
                    value[plan.target[t + b - begin]] -= share * value[plan.upper[b]]
            t += end - begin


@shared
def substitute(plan: Plan, value: Array, right: Array) -> None:
    """Solve for right (size,) in place; right[0], ground's, stays."""
    n, nodes = len(plan.node), len(plan.held)
    for j in range(len(plan.owner)):
        p = plan.owner[j]
        if p > 0:
            right[p], right[nodes + j] = right[nodes + j], right[p]
    for k in range(n):
        r = right[plan.node[k]]
        if r != 0.0:
            for a in range(plan.start[k], plan.start[k + 1]):
                right[plan.other[a]] -= value[plan.lower[a]] * r
    for j in range(n):
        k = n - 1 - j
        node = plan.node[k]
        r = right[node]
        for a in range(plan.start[k], plan.start[k + 1]):
            r -= value[plan.upper[a]] * right[plan.other[a]]
        right[node] = r * value[plan.diagonal[node]]


@inner
def substitute_across(plan: Plan, value: Array, right: Array) -> None:
    """Solve the transposed equations for right (size,) in place; right[0] stays."""
    n, nodes = len(plan.node), len(plan.held)
    for k in range(n):
        node = plan.node[k]
        r = right[node] * value[plan.diagonal[node]]
        right[node] = r
        if r != 0.0:
            for a in range(plan.start[k], plan.start[k + 1]):
                right[plan.other[a]] -= value[plan.upper[a]] * r
    for j in range(n):
        k = n - 1 - j
        node = plan.node[k]
        r = right[node]
        for a in range(plan.start[k], plan.start[k + 1]):
            r -= value[plan.lower[a]] * right[plan.other[a]]
        right[node] = r
    for j in range(len(plan.owner)):
        p = plan.owner[j]
        if p > 0:
            right[p], right[nodes + j] = right[nodes + j], right[p]


@inner
def doubtful(plan: Plan, value: Array) -> bool:
    """Whether a factored matrix has a pivot that is not above zero where a node's own conductance stands: what is held
    in balance on an edge has one, what stands firm rarely."""
    nodes = len(plan.held)
    for k in range(1, nodes):  # noqa: SIM110  (a generator is not compiled)
        if plan.held[k] == plan.diagonal[k] and not value[plan.diagonal[k]] > 0.0:
            return True
    return False


@shared
def dense(
    blocks: Blocks, plus: Places, minus: Places, partial: Array, held: Array, extras: Extras, matrix: Array
) -> None:
    """The matrix of all unknowns but ground, branches last, in full."""
    nodes = blocks.nodes
    matrix.fill(0.0)
    for q in range(len(blocks.slope_of)):
        o, i, d = blocks.slope_of[q], blocks.slope_by[q], partial[q]
        p, m, a, b = plus[o] - 1, minus[o] - 1, plus[i] - 1, minus[i] - 1
        if p >= 0 and a >= 0:
            matrix[p, a] += d
        if p >= 0 and b >= 0:
            matrix[p, b] -= d
        if m >= 0 and a >= 0:
            matrix[m, a] -= d
        if m >= 0 and b >= 0:
            matrix[m, b] += d
    for k in range(nodes - 1):
        matrix[k, k] += held[k + 1]
    for k in range(len(extras.first)):
        a, b, g = extras.first[k] - 1, extras.second[k] - 1, extras.siemens[k]
        if a >= 0:
            matrix[a, a] += g
        if b >= 0:
            matrix[b, b] += g
        if a >= 0 and b >= 0:
            matrix[a, b] -= g
            matrix[b, a] -= g
    n, at, d = blocks.counts[SOURCE], blocks.port[SOURCE], blocks.partial[SOURCE]
    for j in range(n):
        branch = nodes - 1 + j
        p, m = plus[at + j] - 1, minus[at + j] - 1
        gain = partial[d + n + j]
        if p >= 0:
            matrix[p, branch] += 1.0
            matrix[branch, p] += gain
        if m >= 0:
            matrix[m, branch] -= 1.0
            matrix[branch, m] -= gain
        matrix[branch, branch] -= partial[d + 2 * n + j]


@inner
def pivoted(matrix: Array, row: Places) -> bool:
    """Factor in place by rows, the largest pivot of each column; `row` (n,) takes the exchanges. False: singular."""
    n = len(row)
    for k in range(n):
        best, most = k, abs(matrix[k, k])
        for r in range(k + 1, n):
            if abs(matrix[r, k]) > most:
                best, most = r, abs(matrix[r, k])
        row[k] = best
        if not most > 0.0:
            return False
        if best != k:
            for c in range(n):
                matrix[k, c], matrix[best, c] = matrix[best, c], matrix[k, c]
        inverse = 1.0 / matrix[k, k]
        for r in range(k + 1, n):
            share = matrix[r, k] * inverse
            if share != 0.0:
                matrix[r, k] = share
                for c in range(k + 1, n):
                    matrix[r, c] -= share * matrix[k, c]
    return True


@inner
def pivoted_substitute(matrix: Array, row: Places, right: Array) -> None:
    """Solve for right (n + 1,) in place; right[0], ground's, stays."""
    n = len(row)
    for k in range(n):
        if row[k] != k:
            right[k + 1], right[row[k] + 1] = right[row[k] + 1], right[k + 1]
    for k in range(n):
        for c in range(k):
            right[k + 1] -= matrix[k, c] * right[c + 1]
    for j in range(n):
        k = n - 1 - j
        r = right[k + 1]
        for c in range(k + 1, n):
            r -= matrix[k, c] * right[c + 1]
        right[k + 1] = r / matrix[k, k]
