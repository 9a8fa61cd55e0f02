"""How many planted mistakes a review raises over twelve drawings, and how many of its concerns are false or doubled.

    python tests/benchmarks/review_planted.py [BOARD …] [-v]

Raised: a concern (or one put together with it, or a note of `check`) has one of the rules that fit the mistake and
names its net. False or doubled: every concern beyond the first that fits, and every one where none fits, over all
concerns of the drawings with mistakes and of those without.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "review"))

from planted import drawing, mistakes, names, outcome, reviewed


def main(words: list[str]) -> None:
    loud = "-v" in words
    chosen = [word for word in words if not word.startswith("-")] or names()
    raised = planted = false = heads = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in chosen:
            clean, notes = reviewed(drawing(name), Path(folder))
            for concern in clean:
                print(f"  {name}, clean: {concern.rule} {concern.nets}: {concern.says}")
            for note in notes:
                print(f"  {name}, clean, note: {note}")
            found = [outcome(mistake, Path(folder)) for mistake in mistakes(name)]
            for each in found:
                if loud or not each.raised or each.false:
                    mark = "raised" if each.raised else "MISSED"
                    print(f"  {name} {each.mistake.number} {mark}, {each.false} false: {each.mistake.says}")
                    for says in each.says:
                        print(f"      {says}")
            hit, wrong = sum(each.raised for each in found), sum(each.false for each in found) + len(clean)
            count = sum(each.heads for each in found) + len(clean)
            print(f"{name}: {hit} of {len(found)} raised; {wrong} of {count} false or doubled; clean: {len(clean)}")
            raised, planted, false, heads = raised + hit, planted + len(found), false + wrong, heads + count
    print(f"all: {raised} of {planted} raised ({raised / planted:.0%})", end="; ")
    print(f"{false} of {heads} concerns false or doubled ({false / heads:.0%})")


if __name__ == "__main__":
    main(sys.argv[1:])
