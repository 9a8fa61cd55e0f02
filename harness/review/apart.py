"""The concerns of two designs side by side: which are gone, which are still there, which are new."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wakeboard.harness.review.concern import Concern


def apart(
    before: Sequence[Concern], after: Sequence[Concern], renamed: Mapping[str, str] | None = None
) -> tuple[list[Concern], list[Concern], list[Concern]]:
    """(gone, still there, new). renamed: nets of the first design by their name in the second.

    A concern that stands under another's head is there; one that only takes another way to the same net is the same. A
    serious one of which a slight one is left (a leak where current flowed) is gone, and the slight one still there; a
    slight one that became serious is new.
    """
    first, last = _every(before, renamed or {}), _every(after, {})
    gone = [each for each in before if _left(each, last.get(same(each, renamed or {})))]
    heads = [each for each in after if _left(each, first.get(same(each)))]
    still = [each for each in after if each not in heads]
    hidden = [each for head in still for each in head.also if _left(each, first.get(same(each)))]
    return gone, still, [*heads, *hidden]


def _left(concern: Concern, other: bool | None) -> bool:
    """Whether a concern has no like in the other design; other: whether what is there is serious, None for nothing."""
    return other is None or (concern.serious and not other)


def same(concern: Concern, renamed: Mapping[str, str] | None = None) -> tuple[str, str]:
    """What makes two concerns of two designs one: the rule and where it shows."""
    net = concern.nets[0] if concern.nets else "".join(concern.path[:1])
    return concern.rule, (renamed or {}).get(net, net)


def _every(concerns: Sequence[Concern], renamed: Mapping[str, str]) -> dict[tuple[str, str], bool]:
    """Every concern, heads or not: what makes it one -> whether it is serious."""
    found: dict[tuple[str, str], bool] = {}
    for head in concerns:
        for each in (head, *head.also):
            found[same(each, renamed)] = each.serious or found.get(same(each, renamed), False)
    return found
