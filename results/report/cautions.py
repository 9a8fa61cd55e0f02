"""The cautions that stand in each report. They come first wherever power is applied; local rules come before them."""

from __future__ import annotations

NEVER_SAFE = "This report says what was measured. It does not say that a board is safe."

CAUTIONS: tuple[str, ...] = (
    "For extra-low-voltage boards only: not for mains, nor for anything connected to it.",
    "Let the bench supply stand in for a battery until back-feed is excluded; never do a first power-on with a "
    "lithium cell fitted.",
    "A current limit does not make a short circuit safe: what burns may burn within the limit.",
    "Capacitors stay charged after the outputs are off. Measure before touching.",
    "Wear eye protection, work on a bench that cannot catch fire, and have someone present.",
    "Local rules and licensed practice come first.",
)
