"""Each part that could be it by name: faults that no circuit tells apart, their shares, and what would part them.

That two elements between the same two nodes are one to every measurement at the nodes is Kirchhoff's laws; the shares
are those of the priors (sequences/priors.toml).
"""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from wakeboard.harness.explain import telling
from wakeboard.harness.explain.choose.other_means import ways_to_part
from wakeboard.harness.explain.explaining import explain_case
from wakeboard.harness.explain.naming.repair import any_repair
from wakeboard.harness.explain.naming.words import describe_any
from wakeboard.harness.explain.rank.suspects import Suspect, in_most_units, suspects
from wakeboard.harness.explain.telling import tell
from wakeboard.harness.explain.unit.cases import BoardModel, Case
from wakeboard.instruments.virtual.circuit import Circuit, Part, parse_fault
from wakeboard.instruments.virtual.circuit.faults.alike import alike
from wakeboard.instruments.virtual.circuit.faults.library import library
from wakeboard.results.explanation import Group

MakeCase = Callable[..., Case]


def _bus() -> Circuit:
    """Two chips on one data line, two capacitors across their rail."""
    io = {"SDA": {"type": "open_drain", "rail": "VDD"}}
    chips = [
        Part(name, "chip", {"VDD": "+3V3", "GND": "GND", "SDA": "SDA"}, {"io": io, "supply": {"VDD": {"draws": 1e-3}}})
        for name in ("U4", "U8")
    ]
    rail = [Part(name, "capacitor", {"1": "+3V3", "2": "GND"}, {"value": 1e-6}) for name in ("C4", "C5")]
    pull = Part("R1", "resistor", {"1": "+3V3", "2": "SDA"}, {"value": 4700.0})
    return Circuit([*chips, *rail, pull], ground="GND")


def _of(found: list[Suspect], text: str) -> Suspect:
    return next(s for s in found if text in [m.text for m, _ in s.named])


def test_the_library_has_every_part_by_its_name() -> None:
    texts = {str(f) for f in library(_bus(), [("+3V3", "GND")], ["SDA"])}
    assert {"U4.SDA:stuck=low", "U8.SDA:stuck=low", "C4:short", "C5:short", "U4:short", "U8:short"} <= texts
    assert {"U4.SDA:pull_down=13k", "U8.SDA:pull_down=13k"} <= texts


def test_faults_between_the_same_nets_are_one_to_the_circuit() -> None:
    made = {
        text: alike(_bus(), [parse_fault(text)]) for text in ("C4:short", "C5:short", "U8:short", "U4.SDA:stuck=low")
    }
    assert made["C4:short"] == made["C5:short"] == made["U8:short"] != made["U4.SDA:stuck=low"]
    assert alike(_bus(), [parse_fault("U8.SDA:stuck=low")]) == made["U4.SDA:stuck=low"]


def test_a_pin_that_was_lifted_is_stuck_by_itself() -> None:
    lifted = [parse_fault(text) for text in ("U8.SDA:open", "U8.SDA:stuck=low")]
    other = [parse_fault(text) for text in ("U8.SDA:open", "U4.SDA:stuck=low")]
    assert alike(_bus(), lifted) != alike(_bus(), other)


def test_one_suspect_stands_for_all_that_are_alike_with_the_chance_of_any() -> None:
    found = suspects(_bus(), [("+3V3", "GND")], ["SDA"])
    short = _of(found, "C5:short")
    shares = {m.text: share for m, share in short.named}
    assert set(shares) == {"C4:short", "C5:short", "U4:short", "U8:short"}
    assert sum(shares.values()) == pytest.approx(1)
    assert shares["C4:short"] == pytest.approx(2 * shares["U4:short"])  # 4e-4 and 2e-4 (priors.toml)
    assert short.prior == pytest.approx(4e-4 + 4e-4 + 2e-4 + 2e-4, rel=2e-3)
    assert not {"C4:missing", "C5:missing"} <= {m.text for m, _ in _of(found, "C4:missing").named}


def test_a_shorted_capacitor_is_named_with_all_that_could_be_it(case: MakeCase) -> None:
    found = explain_case(case("C2:short"), ask_next=False)
    first = found.groups[0]
    named = {first.name, *(text for text, _ in first.same)}
    assert {"C2:short", "U1:short", "U3:short"} <= {text for text in named if text.endswith("short")}
    assert first.probability == pytest.approx(sum(p for _, p in first.same) + first.either[0][0][1] * first.probability)
    assert any("warms" in way.does for way in first.ways)
    text = "\n".join(tell(found))
    assert "what would tell them apart" in text


def test_words_and_repairs_name_each() -> None:
    faults = [("U4.SDA:stuck=low", 0.5), ("U8.SDA:stuck=low", 0.5)]
    assert describe_any(_bus(), [t for t, _ in faults]) == "U4.SDA or U8.SDA holds SDA low, whatever it is told"
    assert describe_any(_bus(), ["C4:short", "C5:short", "U4:short"]) == "C4, C5 or U4 is shorted (+3V3 to GND)"
    found = any_repair(_bus(), faults)
    assert [r.does for r in found] == [
        "if U4.SDA holds SDA low, whatever it is told (50 %): replace U4",
        "if U8.SDA holds SDA low, whatever it is told (50 %): replace U8",
    ]  # fmt: skip
    assert [r.fault for r in found] == ["U4.SDA:as_drawn", "U8.SDA:as_drawn"]


def test_where_one_stands_clear_it_alone_is_repaired() -> None:
    faults = [("C4:short", 0.9), ("C5:short", 0.1)]
    assert [r.does for r in any_repair(_bus(), faults)] == ["replace C4 (1 µF)"]
    assert not ways_to_part(_bus(), faults)


def test_ways_to_part_are_cheapest_first_and_name_the_parts() -> None:
    shorts = ways_to_part(_bus(), [("C4:short", 0.4), ("C5:short", 0.4), ("U4:short", 0.2)])
    assert [w.effort for w in shorts] == sorted(w.effort for w in shorts)
    assert "C4, C5 or U4" in shorts[0].does
    pins = ways_to_part(_bus(), [("U4.SDA:stuck=low", 0.5), ("U8.SDA:stuck=low", 0.5)])
    assert pins[0].does == "lift U4.SDA off its pad, and measure SDA again"


def test_places_are_counted_once(wren: BoardModel) -> None:
    keys = [s.key for s in wren.suspects if s.key != "as drawn, at rest"]
    assert len(keys) == len(set(keys))


def test_a_lifted_pin_tells_what_no_reading_does(case: MakeCase) -> None:
    """CS is pulled down inside either of the two chips on it: all that is left is to lift a pin."""
    found = explain_case(case("U3.CS:pull_down=13k"))
    named = {text.partition("=")[0] for text, _ in found.groups[0].either[0]}
    assert {"U1.GPIO2:pull_down", "U3.CS:pull_down"} <= named
    lifts = [c.measurement.does for c in found.next]
    assert lifts
    assert all(does.startswith(("lift U1.GPIO2", "lift U3.CS")) for does in lifts), lifts
    assert found.next[0].bits > 0.5


def _enabled(*more: Part) -> Circuit:
    """A load switch whose enable a processor may drive and R1 holds down."""
    io = {"EN": {"type": "io", "rail": "VDD"}}
    return Circuit(
        [
            Part("U1", "chip", {"VDD": "+3V3", "GND": "GND", "EN": "SENS_EN"}, {"io": io}),
            Part("U3", "load_switch", {"IN": "+3V3", "OUT": "VS", "EN": "SENS_EN", "GND": "GND"}, {}),
            Part("R1", "resistor", {"1": "SENS_EN", "2": "GND"}, {"value": 1e4}),
            Part("R2", "resistor", {"1": "VS", "2": "GND"}, {"value": 1e4}),
            *more,
        ],
        ground="GND",
    )


def _lifted(circuit: Circuit, *adjacent: tuple[str, str]) -> list[str]:
    return [f"{s.text} {s.beside[0]}" for s in suspects(circuit, adjacent) if s.beside]


def test_a_net_that_a_missing_resistor_leaves_open_may_be_lifted_by_leaks() -> None:
    """Common practice, no source: a microampere into an input that nothing holds is volts."""
    assert _lifted(_enabled()) == ["R1:missing SENS_EN++3V3:bridge=2M"]
    own = [s for s in suspects(_enabled()) if s.text == "R1:missing"]
    assert len({s.key for s in own}) == 2  # with it and without: two boards
    assert sum(s.prior for s in own) == pytest.approx(1.3 * own[0].prior)


def test_so_may_the_net_that_a_resistor_was_joined_past() -> None:
    """Its pin is on the neighbour's net, and what it held is held by nothing."""
    assert _lifted(_enabled(), ("SENS_EN", "VS"))[1:] == ["R1.1:net=VS SENS_EN++3V3:bridge=2M"]


def test_an_enable_alone_is_lifted_by_its_own_part_s_input() -> None:
    drawn = _enabled(Part("X1", "unmodelled", {"1": "SENS_EN", "2": "GND"}, {}))
    alone = Circuit([part for part in drawn.parts if part.name != "U1"], ground="GND")
    assert _lifted(alone) == ["R1:missing SENS_EN++3V3:bridge=2M"]


def test_what_another_resistor_holds_is_not_lifted() -> None:
    assert not _lifted(_enabled(Part("R3", "resistor", {"1": "SENS_EN", "2": "GND"}, {"value": 1e5})))


def test_what_most_units_show_is_seldom_solder() -> None:
    """Common practice, no source: a reel or a property of a part is in all units, an open joint in one."""
    alone = suspects(_bus(), control_nets=["SDA"])
    for one, s in zip(alone, in_most_units(alone), strict=True):
        solder = s.category in ("lifted", "open", "short", "stuck", "dead", "bridge")
        assert (s.prior < 0.2 * one.prior) if solder else (s.prior == one.prior), s.text


@pytest.mark.parametrize(("share", "open_still"), [(0.99, False), (0.6, True)])
def test_one_in_a_hundred_beside_a_cause_leaves_nothing_to_look_for(share: float, open_still: bool) -> None:
    group = Group("C4:short", 0.999, ("C4:short",), "", same=(("C5:short", 1 - share),),
                  either=((("C4:short", share), ("C5:short", 1 - share)),))  # fmt: skip
    said = telling._enough(cast(Any, SimpleNamespace(best=group)))
    assert ("look at, or lift" in said) is open_still
