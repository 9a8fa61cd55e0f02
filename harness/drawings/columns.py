"""Which column of a table holds what: told by its heading and by what stands in it, corrected by a person.

    roles = find_columns(headings, rows, {"value": "Wert"})      role -> index of the column

Headings differ between programs and languages; the words here are the trade's own, the rest is judged by content.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final

from wakeboard.harness.drawings.references import looks_listed

ROLES: Final = (
    "reference", "value", "number", "footprint", "description", "x", "y", "side", "rotation", "fitted", "unfitted",
    "quantity", "pin", "net",
)  # fmt: skip
# In the order of how well a heading fits: the first that matches wins. `=` in front: the whole heading, no more.
_WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "reference": ("=refdes", "=designator", "=reference", "=references", "reference designator", "ref des", "refdes",
                  "designator", "=ref", "=refs", "=part reference", "referenz", "bauteilname", "=bezeichner",
                  "=component", "=name", "=parts", "=position", "=pos", "=item name", "repere"),
    "value": ("=value", "=val", "=comment", "=wert", "=valeur", "=valor", "value", "comment"),
    "number": ("manufacturer part number", "mfr part", "mfg part", "=mpn", "mpn", "=part number", "part number",
               "part no", "partnumber", "artikelnummer", "bestellnummer", "order code", "manufacturer pn",
               "herstellernummer", "=pn", "=device", "=typ", "=type", "part name"),
    "footprint": ("=footprint", "=package", "=pattern", "=case", "footprint", "package", "land pattern", "bauform",
                  "gehause", "gehäuse", "empreinte", "=decal"),
    "description": ("=description", "=desc", "description", "beschreibung", "bezeichnung", "designation", "=notes"),
    "x": ("center x", "mid x", "centroid x", "x center", "=x", "pos x", "posx", "x pos", "position x", "x location",
          "loc x", "x coord", "x-coord", "ref x", "x"),
    "y": ("center y", "mid y", "centroid y", "y center", "=y", "pos y", "posy", "y pos", "position y", "y location",
          "loc y", "y coord", "y-coord", "ref y", "y"),
    "side": ("=side", "=layer", "=tb", "board side", "mount side", "side", "layer", "=seite", "=lage", "=face"),
    "rotation": ("=rotation", "=rot", "=angle", "=orientation", "rotation", "angle", "winkel", "drehung", "=theta"),
    "fitted": ("=fitted", "=populate", "=populated", "=mounted", "=mount", "=assemble", "=assembled", "=place",
               "=fit", "bestückt", "bestueckt", "=stuffed", "=assembly"),
    "unfitted": ("=dnp", "=dnf", "=dnm", "=dni", "do not populate", "do not fit", "do not place", "not fitted",
                 "do not install", "do not mount", "=nofit", "exclude", "=np", "=dns", "unbestückt"),
    "quantity": ("=qty", "=quantity", "=count", "=anzahl", "=menge", "quantity", "qty", "=stück", "=stueck"),
    "pin": ("=pin", "pin number", "pin no", "=pad", "pad number", "pad name"),
    "net": ("=net", "net name", "netname", "=signal", "=netz", "signal name"),
}  # fmt: skip
_NUMBER: Final = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?\s*(?:mm|mil|mils|in|inch|\"|um|µm)?\Z", re.IGNORECASE)
SIDES: Final = {
    "top": "top", "t": "top", "toplayer": "top", "top layer": "top", "front": "top", "f": "top", "f.cu": "top",
    "component side": "top", "componentside": "top", "primary": "top", "oben": "top", "upper": "top", "1": "top",
    "bottom": "bottom", "b": "bottom", "bot": "bottom", "bottomlayer": "bottom", "bottom layer": "bottom",
    "back": "bottom", "b.cu": "bottom", "solder side": "bottom", "solderside": "bottom", "secondary": "bottom",
    "unten": "bottom", "lower": "bottom", "2": "bottom", "yes": "bottom", "no": "top", "m": "bottom",
}  # fmt: skip


def tidy(heading: str) -> str:
    """A heading for comparing: small letters, no units in brackets, one blank between words."""
    bare = re.sub(r"[\[(].*?[\])]", " ", heading.casefold()).replace("_", " ").replace("-", " ").replace("#", " ")
    return " ".join(re.sub(r"\b(?:mm|mils?|inch(?:es)?)\b", " ", bare).replace(".", " ").split())


_LONGEST: Final = 40  # letters; nobody heads a column with more


@lru_cache(maxsize=8192)
def _fits(heading: str) -> Mapping[str, int]:
    """role -> how well a heading fits it, the more the better; roles that it does not fit are left out."""
    name = tidy(heading) if len(heading) <= _LONGEST else ""
    if not name or name[0].isdigit():
        return {}
    compact = name.replace(" ", "")
    found = {role: _rank(name, compact, words) for role, words in _TIDY_WORDS.items()}
    return {role: rank for role, rank in found.items() if rank}


def _rank(name: str, compact: str, words: Sequence[tuple[bool, str, str]]) -> int:
    for rank, (whole, word, close) in enumerate(words):
        if name == word or compact == close:
            return 200 - rank
        if not whole and word in name and re.search(rf"(?:^|\W){re.escape(word)}(?:\W|$)", name):
            return 100 - rank
    return 0


def _tidy_words(words: Sequence[str]) -> list[tuple[bool, str, str]]:
    """(the whole heading only, the word, the word without blanks) of each."""
    bare = [(word.startswith("="), word.removeprefix("=").replace("-", " ")) for word in words]
    return [(whole, word, word.replace(" ", "")) for whole, word in bare]


_TIDY_WORDS: Final = {role: _tidy_words(words) for role, words in _WORDS.items()}


def heading_score(cells: Sequence[str]) -> int:
    """How many roles a row names, as a row of headings would."""
    return len({role for cell in cells for role in _fits(cell)})


def find_columns(headings: Sequence[str], rows: Sequence[Sequence[str]], said: Mapping[str, str]) -> dict[str, int]:
    """role -> column. `said` has what a person ordered; LookupError (role, heading) where there is no such column."""
    found = {role: _named(headings, role, heading) for role, heading in said.items()}
    taken = set(found.values())
    offers = [
        (fit + _content(role, rows, index), -index, role, index)
        for index, heading in enumerate(headings)
        if index not in taken
        for role, fit in _fits(heading).items()
        if role not in found
    ]
    for _, _, role, index in sorted(offers, reverse=True):
        if role not in found and index not in taken:
            found[role] = index
            taken.add(index)
    if "reference" not in found:
        best = max(range(len(headings)), key=lambda i: _share(rows, i, looks_listed), default=-1)
        if best >= 0 and best not in taken and _share(rows, best, looks_listed) > 0.6:
            found["reference"] = best
    return found


def _named(headings: Sequence[str], role: str, wanted: str) -> int:
    for index, heading in enumerate(headings):
        if heading.strip().casefold() == wanted.strip().casefold():
            return index
    if wanted.isdigit() and 1 <= int(wanted) <= len(headings):
        return int(wanted) - 1
    raise LookupError(role, wanted)


def _content(role: str, rows: Sequence[Sequence[str]], index: int) -> int:
    """What stands below a heading speaks for the role, or against it."""
    if role == "reference":
        return int(300 * _share(rows, index, looks_listed)) - 100
    if role in ("x", "y", "rotation", "quantity"):
        return int(100 * _share(rows, index, lambda cell: bool(_NUMBER.match(cell)))) - 60
    if role == "side":
        return int(100 * _share(rows, index, lambda cell: cell.casefold() in SIDES)) - 60
    return 20 if _share(rows, index, bool) > 0 else -40


def _share(rows: Sequence[Sequence[str]], index: int, test: object) -> float:
    cells = [row[index].strip() for row in rows[:200] if index < len(row) and row[index].strip()]
    return sum(bool(test(cell)) for cell in cells) / len(cells) if cells and callable(test) else 0.0
