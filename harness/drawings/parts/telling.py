"""What the words beside a part tell of its kind, in the languages that lists of parts come in.

Letters of references differ between countries and houses (a diode is D, V or CR, a chip U, IC, N or D), so that words
and the number of nets have to say what letters leave open. Words by common practice, no source.
"""

from __future__ import annotations

import re
from typing import Final

from wakeboard.harness.drawings.design import DrawnPart
from wakeboard.harness.drawings.references import split

MECHANICAL: Final = (
    "H",
    "MH",
    "FID",
    "FD",
    "MK",
    "LOGO",
    "REF",
    "G",
    "MP",
    "HOLE",
    "MTG",
    "SCREW",
    "PCB",
    "LABEL",
    "Z",
)
TEST_POINTS: Final = ("TP", "TEST", "TPT", "TB_TP", "PT", "MP", "TPA", "TPB", "PM")
CONNECTORS: Final = ("J", "P", "CN", "CON", "X", "USB", "BT", "BAT", "TB", "HDR", "SK", "PL", "ST", "K", "B")

LED: Final = re.compile(
    r"\bled\b|\bdel\b|leuchtdiode|^(?:red|green|blue|yellow|amber|orange|white|rouge|verte?|bleue?|jaune|blanche?|rot|"
    r"gr(?:ü|ue)n|blau|gelb|wei(?:ß|ss)|rojo|verde|azul|rosso|rood|groen)\b",
    re.IGNORECASE,
)
SCHOTTKY: Final = re.compile(
    r"schottky|\bBAT[0-9]{2}|\bSS[0-9]{2,3}\b|\bMBR|\b1N58(?:17|18|19)|\bPMEG|\bB[0-9]{3}[A-Z]?\b|\bSK[0-9]{2}|\bRB[0-9]{3}",
    re.I,
)
ZENER: Final = re.compile(r"zener|z-?diode\b|\bBZ[XTV]|\bMMSZ|\bMM3Z|\b1N47[0-9]{2}", re.IGNORECASE)
TVS: Final = re.compile(r"\btvs\b|\besd\b|\bSM[ABCF]+J|\bPESD|transient|suppress|suppresseur|transil", re.IGNORECASE)
SILICON: Final = re.compile(r"1N4|1N914|BAV|BAS|diod|rectif|gleichricht|redress|S1[A-M]|M[1-7]\b", re.IGNORECASE)
PTC: Final = re.compile(r"ptc|poly|resettable|self.?reset|\bhold\b|r(?:é|e)armable|r(?:ü|ue)ckstell", re.IGNORECASE)
HERTZ: Final = re.compile(
    r"[0-9.,]+\s*[kM]Hz|crystal|cristal|quartz?|quarz|cuarzo|kwarc|xtal|resonat|r(?:é|e)sonat|oscillat", re.IGNORECASE
)
BEAD: Final = re.compile(r"ferrit|\bbead\b|\bBLM[0-9]", re.IGNORECASE)
_FUSE: Final = re.compile(
    r"\bfus(?:e|ible|ibile)\b|sicherung|zekering|bezpiecznik|\bPTC\b|s(?:ä|ae)kring", re.IGNORECASE
)
_RESISTOR: Final = re.compile(
    r"r(?:é|e)sist(?:or|ance|encia|enza|encja)|widerstand|weerstand|rezystor|odpor", re.IGNORECASE
)
_CAPACITOR: Final = re.compile(r"capac|condens|kondens|\belko\b", re.IGNORECASE)
_INDUCTOR: Final = re.compile(r"induct|indutt|\bdrossel|spule|bobin|\bself\b|choke|spoel|d(?:ł|l)awik", re.IGNORECASE)
_BUTTON: Final = re.compile(
    r"\btact\b|push.?button|\bbutton\b|\bbouton|poussoir|taster|\bpulsa(?:dor|nte)|drukknop|przycisk", re.IGNORECASE
)
_CONNECTOR: Final = re.compile(
    r"connect|conect|connett|bornier|borne\b|stecker|buchse|klemme|\bheader\b|barrette|\bJST\b|terminal block|"
    r"\bUSB-?[ABC]\b|z(?:ł|l)(?:ą|a)cze|stiftleiste|regleta|morsett",
    re.IGNORECASE,
)
_TEST_POINT: Final = re.compile(
    r"test.?point|point de (?:test|mesure)|testpunkt|messpunkt|punto d[ei] (?:prueba|test|prova)|testpad",
    re.IGNORECASE,
)


def nets_of(part: DrawnPart) -> int:
    return len(set(part.pins.values()))


def is_mechanical(part: DrawnPart) -> bool:
    """A hole or a mark: by its letters, where it joins no two nets (H1 may be a lamp)."""
    return split(part.name)[0] in MECHANICAL and nets_of(part) <= 1 and not is_test_point(part)


def is_test_point(part: DrawnPart) -> bool:
    """By its letters or words; a lone pad of which no list says anything is one too, but for a connector's."""
    letters = split(part.name)[0]
    if nets_of(part) != 1:
        return False
    if _TEST_POINT.search(part.text) or letters in ("TP", "TEST", "TPT", "TB_TP"):
        return True
    lone = len(part.pins) == 1 and not part.value and not part.number
    return lone and (letters in TEST_POINTS or letters not in (*CONNECTORS, *MECHANICAL))


def kind_of_two(part: DrawnPart) -> str:
    """diode, crystal, fuse, ferrite, resistor, capacitor, inductor, switch or connector; "" where no word tells. In the
    order of how plainly a word speaks: "ferrite" before "inductor", "Schottky" before "terminal"."""
    text = part.text
    diodes = (LED, SCHOTTKY, ZENER, TVS)
    if any(pattern.search(text) for pattern in diodes) or re.search(r"\bdiod|dioda\b", text, re.IGNORECASE):
        return "diode"
    if SILICON.search(part.value) or SILICON.search(part.number):
        return "diode"
    order = (
        ("ferrite", BEAD), ("fuse", _FUSE), ("crystal", HERTZ), ("inductor", _INDUCTOR), ("capacitor", _CAPACITOR),
        ("resistor", _RESISTOR), ("switch", _BUTTON), ("connector", _CONNECTOR),
    )  # fmt: skip
    return next((kind for kind, pattern in order if pattern.search(text)), "")


def is_connector(part: DrawnPart) -> bool:
    return bool(_CONNECTOR.search(part.text))
