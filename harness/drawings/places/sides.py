"""The words for the two sides of a board, small letters: in the languages that lists of places come in."""

from __future__ import annotations

from typing import Final

_TOP: Final = (
    "top", "t", "toplayer", "top layer", "front", "f", "f.cu", "component side", "componentside", "primary", "upper",
    "1", "oben", "oberseite", "bestückungsseite", "bs", "dessus", "recto", "haut", "composants", "cote composants",
    "côté composants", "face composants", "superior", "arriba", "cara superior", "componentes", "sopra", "superiore",
    "lato componenti", "boven", "bovenzijde", "topo", "góra", "gora", "upp", "ovansida", "topp", "horní", "верх",
    "верхняя", "顶层", "顶面", "正面", "表面", "部品面",
)  # fmt: skip
_BOTTOM: Final = (
    "bottom", "b", "bot", "bottomlayer", "bottom layer", "back", "b.cu", "solder side", "solderside", "secondary",
    "lower", "2", "unten", "unterseite", "lötseite", "ls", "dessous", "verso", "bas", "soudures", "cote soudures",
    "côté soudures", "face soudures", "cote cuivre", "côté cuivre", "inferior", "abajo", "cara inferior", "soldadura",
    "sotto", "inferiore", "lato saldature", "onder", "onderzijde", "base", "dół", "dol", "ned", "undersida", "botten",
    "spodní", "низ", "нижняя", "底层", "底面", "反面", "裏面", "半田面",
)  # fmt: skip
# "Mirrored" columns say yes for what is on the bottom.
SIDES: Final = {
    **dict.fromkeys(_TOP, "top"), **dict.fromkeys(_BOTTOM, "bottom"),
    "yes": "bottom", "no": "top", "m": "bottom", "oui": "bottom", "non": "top", "ja": "bottom", "nein": "top",
}  # fmt: skip
