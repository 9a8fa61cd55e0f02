"""The concerns of two designs side by side: which are gone, which are still there, which are new."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from wakeboard.harness.review.concern import Concern


def apart(
    before: Sequence[Concern], after: Sequence[Concern], renamed: Mapping[str, str] | None = None
) -> tuple[list[Concern], list[Concern], list[Concern]]:
    """(gone, still there, new). renamed: nets of the first design by their name in the second.

    A concern that stands under another's head is there; one that only takes another way to the same net is the same.
    """
    first, last = _every(before, renamed or {}), _every(after, {})
    gone = [each for each in before if same(each, renamed or {}) not in last]
    new = [each for each in after if same(each) not in first]
    return gone, [each for each in after if same(each) in first], new


def same(concern: Concern, renamed: Mapping[str, str] | None = None) -> tuple[str, str]:
    """What makes two concerns of two designs one: the rule and where it shows."""
    net = concern.nets[0] if concern.nets else "".join(concern.path[:1])
    return concern.rule, (renamed or {}).get(net, net)


def _every(concerns: Sequence[Concern], renamed: Mapping[str, str]) -> set[tuple[str, str]]:
    return {same(each, renamed) for head in concerns for each in (head, *head.also)}
