"""Which column of a table holds what: told by its heading and by what stands in it, corrected by a person.

    roles = find_columns(headings, rows, {"value": "Wert"})      role -> index of the column

Headings differ between programs and languages; the words here are the trade's own, the rest is judged by content.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final

from wakeboard.harness.drawings.lists.contents import NUMBER, guessed, reference_column
from wakeboard.harness.drawings.places.sides import SIDES
from wakeboard.harness.drawings.references import looks_listed

ROLES: Final = (
    "reference", "value", "number", "footprint", "description", "x", "y", "side", "rotation", "fitted", "unfitted",
    "quantity", "pin", "net", "price",
)  # fmt: skip
# In the order of how well a heading fits: the first that matches wins. `=` in front: the whole heading, no more.
_WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "reference": ("=refdes", "=designator", "=reference", "=references", "reference designator", "ref des", "refdes",
                  "designator", "=ref", "=refs", "=part reference", "referenz", "bauteilname", "=bezeichner",
                  "=component", "=name", "=parts", "=position", "=pos", "=item name", "repere", "reperes",
                  "=referencia", "=referencias", "designador", "=riferimento", "=riferimenti", "=referentie",
                  "=referencia", "=oznaczenie", "=beteckning", "=oznaceni", "=обозначение",
                  "позиционное обозначение", "位号", "标号", "部品番号", "=composant", "=bauteil", "=componente"),
    "value": ("=value", "=val", "=comment", "=wert", "=valeur", "=valor", "=valore", "=waarde", "=wartosc", "=varde",
              "=hodnota", "=номинал", "=значение", "=值", "=参数", "value", "comment", "valeur"),
    "number": ("manufacturer part number", "mfr part", "mfg part", "=mpn", "mpn", "=part number", "part number",
               "part no", "partnumber", "artikelnummer", "bestellnummer", "order code", "manufacturer pn",
               "herstellernummer", "=pn", "=device", "=typ", "=type", "part name", "ref fabricant",
               "reference fabricant", "code fabricant", "referencia fabricante", "numero de parte",
               "codice produttore", "fabrikantnummer", "numer katalogowy", "tillverkarens", "=артикул", "型号",
               "品番", "型番"),
    "footprint": ("=footprint", "=package", "=pattern", "=case", "footprint", "package", "land pattern", "bauform",
                  "gehause", "gehaeuse", "empreinte", "=decal", "boitier", "encapsulado", "huella", "contenitore",
                  "=impronta", "behuizing", "encapsulamento", "obudowa", "kapsel", "pouzdro", "корпус", "封装"),
    "description": ("=description", "=desc", "description", "beschreibung", "bezeichnung", "designation",
                    "libelle", "descripcion", "descrizione", "omschrijving", "descricao", "=opis", "beskrivning",
                    "=popis", "описание", "наименование", "描述", "规格", "説明"),
    "x": ("center x", "mid x", "centroid x", "x center", "=x", "pos x", "posx", "x pos", "position x", "x location",
          "loc x", "locx", "x coord", "ref x", "centre x", "x"),
    "y": ("center y", "mid y", "centroid y", "y center", "=y", "pos y", "posy", "y pos", "position y", "y location",
          "loc y", "locy", "y coord", "ref y", "centre y", "y"),
    "side": ("=side", "=layer", "=tb", "board side", "mount side", "side", "layer", "=seite", "=lage", "=face",
             "=cote", "=couche", "=cara", "=lado", "=capa", "=lato", "=strato", "=zijde", "=laag", "=strona",
             "=warstwa", "=sida", "=strana", "=сторона", "=слой", "=层", "=面", "=mirror", "=mirrored"),
    "rotation": ("=rotation", "=rot", "=angle", "=orientation", "rotation", "angle", "winkel", "drehung", "=theta",
                 "rotacion", "=angulo", "=giro", "rotazione", "=angolo", "rotatie", "=hoek", "rotacao", "=obrot",
                 "=kat", "=vinkel", "=rotace", "=угол", "=поворот", "角度", "旋转"),
    "fitted": ("=fitted", "=populate", "=populated", "=mounted", "=mount", "=assemble", "=assembled", "=place",
               "=fit", "bestuckt", "bestueckt", "=stuffed", "=assembly", "=monte", "=montage", "=montado",
               "=montato", "=geplaatst", "=monterad", "=montaz"),
    "unfitted": ("=dnp", "=dnf", "=dnm", "=dni", "do not populate", "do not fit", "do not place", "not fitted",
                 "do not install", "do not mount", "=nofit", "exclude", "=np", "=dns", "unbestuckt", "non monte",
                 "=nm", "no montar", "non montato"),
    "quantity": ("=qty", "=quantity", "=count", "=anzahl", "=menge", "quantity", "qty", "=stuck", "=stueck", "=qte",
                 "=quantite", "=cantidad", "=cant", "=quantita", "=aantal", "=quantidade", "=ilosc", "=antal",
                 "=mnozstvi", "=количество", "=кол", "数量"),
    "price": ("unit price", "=price", "=cost", "unit cost", "price each", "stuckpreis", "einzelpreis", "=preis",
              "prix unitaire", "=prix", "precio unitario", "=precio", "prezzo unitario", "=prezzo", "=prijs",
              "=cena", "=цена", "单价"),
    "pin": ("=pin", "pin number", "pin no", "=pad", "pad number", "pad name", "=broche"),
    "net": ("=net", "net name", "netname", "=signal", "=netz", "signal name", "=equipotentielle"),
}  # fmt: skip


def tidy(heading: str) -> str:
    """A heading for comparing: small letters, no units in brackets, one blank between words."""
    bare = (
        re.sub(r"[\[(].*?[\])]", " ", _without_accents(heading)).replace("_", " ").replace("-", " ").replace("#", " ")
    )
    return " ".join(re.sub(r"\b(?:mm|mils?|inch(?:es)?)\b", " ", bare).replace(".", " ").split())


def _without_accents(text: str) -> str:
    apart = unicodedata.normalize("NFKD", text.casefold().replace("ł", "l"))
    return "".join(letter for letter in apart if not unicodedata.combining(letter))


LEAST_LISTED: Final = 0.3  # of the cells below a heading of references; else another column has them
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
    if "reference" not in said and _share(rows, found.get("reference", -1), looks_listed) < LEAST_LISTED:
        best = reference_column(rows)
        if best is not None and best not in set(taken) - {found.get("reference")}:
            found["reference"] = best
    if "reference" in found:
        free = [index for index in range(len(headings)) if index not in found.values()]
        told = {*found, "unfitted"} if "fitted" in found else {*found}
        found |= guessed(rows, found["reference"], free, set(ROLES) - told)
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
        return int(100 * _share(rows, index, lambda cell: bool(NUMBER.match(cell)))) - 60
    if role == "side":
        return int(100 * _share(rows, index, lambda cell: cell.casefold() in SIDES)) - 60
    return 20 if _share(rows, index, bool) > 0 else -40


def _share(rows: Sequence[Sequence[str]], index: int, test: object) -> float:
    cells = [row[index].strip() for row in rows[:200] if index < len(row) and row[index].strip()]
    return sum(bool(test(cell)) for cell in cells) / len(cells) if cells and callable(test) else 0.0
