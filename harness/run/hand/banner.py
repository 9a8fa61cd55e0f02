"""Large letters for a terminal that is read from two metres away, with both hands on the probes.

    print(banner("3.302 V"))         five lines of blocks; what it has no letter for is left out
    fits(text, 80)                   whether they fit that many columns

Drawn here for this purpose: three columns a letter, five where it needs them.
"""

from __future__ import annotations

import sys

HEIGHT = 5  # rows: letters read across a room, and the outcome stays on the screen
GAP = " "
BLOCK, PLAIN = "█", "#"

# Five rows a letter, from the top; a dot is empty.
_LETTERS = {
    "0": "### #.# #.# #.# ###", "1": ".#. ##. .#. .#. ###", "2": "### ..# ### #.. ###", "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#", "5": "### #.. ### ..# ###", "6": "### #.. ### #.# ###", "7": "### ..# ..# .#. .#.",
    "8": "### #.# ### #.# ###", "9": "### #.# ### ..# ###", ".": ". . . . #", "-": "... ... ### ... ...",
    "+": "... .#. ### .#. ...", " ": ".. .. .. .. ..", "!": "# # # . #", "?": "### ..# .## ... .#.",
    "A": "### #.# ### #.# #.#", "B": "##. #.# ##. #.# ##.", "C": "### #.. #.. #.. ###", "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ### #.. ###", "F": "### #.. ### #.. #..", "G": "#### #... #.## #..# ####",
    "H": "#.# #.# ### #.# #.#", "I": "# # # # #", "K": "#.# #.# ##. #.# #.#", "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#", "N": "#..# ##.# #.## #..# #..#", "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..", "R": "### #.# ##. #.# #.#", "S": "### #.. ### ..# ###", "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###", "V": "#.# #.# #.# #.# .#.", "X": "#.# #.# .#. #.# #.#", "Y": "#.# #.# .#. .#. .#.",
    "k": "#.. #.# ##. ##. #.#", "m": "..... ..... ##### #.#.# #.#.#", "µ": "... #.# #.# ### #..",
    "Ω": ".###. #...# #...# .#.#. ##.##",
}  # fmt: skip


def banner(text: str, *, block: str | None = None) -> str:
    """The text in large letters, five lines, no line end after the last."""
    mark = _block() if block is None else block
    glyphs = [_LETTERS[letter].split(" ") for letter in text if letter in _LETTERS]
    rows = [GAP.join(glyph[row] for glyph in glyphs) for row in range(HEIGHT)]
    return "\n".join(row.replace("#", mark).replace(".", " ").rstrip() for row in rows)


def width(text: str) -> int:
    """Columns that the banner of a text takes."""
    glyphs = [_LETTERS[letter].split(" ")[0] for letter in text if letter in _LETTERS]
    return sum(map(len, glyphs)) + len(GAP) * max(len(glyphs) - 1, 0)


def fits(text: str, columns: int) -> bool:
    return width(text) <= columns


def _block() -> str:
    """A solid block, or # where the terminal cannot show one."""
    encoding = getattr(sys.stderr, "encoding", None) or "ascii"
    try:
        BLOCK.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return PLAIN
    return BLOCK
