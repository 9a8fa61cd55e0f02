"""The mains frequency where the computer says that it is: for a meter that integrates over whole periods of it."""

from __future__ import annotations

import os
import re

# Territories with 60 Hz (ISO 3166); both are found in Japan and Saudi Arabia, which are left out. From memory.
SIXTY = (
    "US CA MX GT HN SV NI CR PA CU DO HT PR VI BS BM KY TC VG BZ CO VE EC PE BR GY SR TT AW KR TW PH GU MP AS FM MH PW"
)
MIXED = "JP SA LR"
_TERRITORY = re.compile(r"\A[a-z]{2,3}[_-](?:[A-Z][a-z]{3}[_-])?([A-Z]{2})\b")


def usual_mains() -> float | None:
    """Hz by the territory of the user's settings; None where they name none, or one with both."""
    place = territory()
    if place is None or place in MIXED.split():
        return None
    return 60.0 if place in SIXTY.split() else 50.0


def territory() -> str | None:
    """ISO 3166 code of the user's settings (LC_ALL, LC_MEASUREMENT, LANG, as POSIX ranks them; else the system's)."""
    import locale

    told = next((os.environ[key] for key in ("LC_ALL", "LC_MEASUREMENT", "LANG") if os.environ.get(key)), "")
    found = _TERRITORY.match(told or locale.getlocale()[0] or "")
    return found[1] if found else None
