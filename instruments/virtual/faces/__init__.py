"""The faces of virtual instruments by name: which class speaks which maker's language."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from wakeboard.instruments.virtual.scpi.instrument import Instrument

# name -> (module, class); the module is imported when the face is asked for
PSU_FACES: dict[str, tuple[str, str]] = {
    "plain": ("psu_scpi", "PlainPsu"),
    "e3632a": ("psu_scpi", "SinglePsu"),
    "e3646a": ("psu_scpi", "TwoOutputPsu"),
    "e36312a": ("psu_channels", "ListPsu"),
    "dp832a": ("psu_channels", "ArgumentPsu"),
    "spd3303x": ("psu_prefix", "PrefixPsu"),
    "e3631a": ("psu_switched", "E3631A"),
    "hmp4040": ("psu_two_level", "TwoLevelPsu"),
    "nge100": ("psu_two_level", "Nge100"),
    "2230g": ("psu_switched", "Keithley2230"),
    "9130b": ("psu_switched", "Bk9130"),
    "it6322a": ("psu_switched", "ItechIt6322"),
    "gpp4323": ("psu_suffix", "Gpp"),
    "owon": ("psu_suffix", "Owon"),
    "gpd3303s": ("psu_text", "Gpd3303"),
    "aim-tti": ("psu_text", "AimTti"),
    "korad": ("psu_text", "Korad"),
}
DMM_FACES: dict[str, tuple[str, str]] = {
    "plain": ("dmm_keysight", "PlainDmm"),
    "34401a": ("dmm_keysight", "Meter34401A"),
    "34461a": ("dmm_keysight", "Truevolt"),
    "dmm6500": ("dmm_makers", "Dmm6500"),
    "2000": ("dmm_makers", "Keithley2000"),
    "8845a": ("dmm_makers", "Fluke8845A"),
    "sdm3065x": ("dmm_makers", "Sdm3065X"),
    "dm3058": ("dmm_display", "RigolDm3058"),
    "xdm1041": ("dmm_display", "OwonXdm1041"),
}
SCANNER_FACES: dict[str, tuple[str, str]] = {
    "34970a": ("scanner_scpi", "Scanner34970A"),
    "2700": ("scanner_scpi", "Scanner2700"),
    "daq6510": ("scanner_scpi", "ScannerDaq6510"),
}
SCOPE_FACES: dict[str, tuple[str, str]] = {
    "ds1054z": ("scope_makers", "RigolScope"),
    "dsox3034a": ("scope_makers", "KeysightScope"),
    "tbs1102c": ("scope_makers", "TekScope"),
    "sds1204x-e": ("scope_makers", "SiglentScope"),
}
FACES = {"psu": PSU_FACES, "dmm": DMM_FACES, "scanner": SCANNER_FACES, "scope": SCOPE_FACES}


def face(kind: str, name: str) -> type[Any]:
    """The class of a face; KeyError's text names what there is."""
    table = FACES[kind]
    if name not in table:
        raise KeyError(f"no virtual {kind} speaks {name!r}; there are {', '.join(table)}")
    module, kind_name = table[name]
    found: type[Instrument] = getattr(import_module(f".{module}", __package__), kind_name)
    return found
