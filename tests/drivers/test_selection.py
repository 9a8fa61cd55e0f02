"""Outputs that are selected first, and somebody else who selects them, too: nobody is told of the wrong output.

SCPI-1999: INSTrument:NSELect is the instrument's, not a session's. Figures are those of the tool itself.
"""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.instruments.errors import OtherOutput
from wakeboard.instruments.scpi.opening import open_psu


class Hmp:
    """An HMP of two outputs: the first is on. `meddle`: what is selected behind the session's back, by message."""

    def __init__(self) -> None:
        self.selected, self.on = 1, {1: True, 2: False}
        self.meddle: dict[str, list[int]] = {}
        self.tells = True

    def __call__(self, session: Any, line: str) -> None:
        if line.startswith("INST:NSEL "):
            self.selected = int(line.split()[1])
        elif line.startswith("OUTP:SEL "):
            self.on[self.selected] = line.endswith("ON")
        answers = {
            "*IDN?": "ROHDE&SCHWARZ,HMP2020,100001/0,2.41",
            "INST:NSEL?": str(self.selected) if self.tells else None,
            "OUTP:SEL?": str(int(self.on[self.selected])),
            "OUTP:GEN?": "1",
            "MEAS:VOLT?": "5.000" if self.on[self.selected] else "0.000",
            "MEAS:CURR?": "0.0300" if self.on[self.selected] else "0.0000",
            "SYST:ERR?": '0,"No error"',
            "*ESR?": "0",
            "*OPC?": "1",
        }
        if line.startswith("STAT:QUES"):
            session.say("2\n")
        elif answers.get(line) is not None:
            session.say(answers[line] + "\n")
        if self.meddle.get(line):
            self.selected = self.meddle[line].pop()


@pytest.fixture
def made(serve: Any) -> Any:
    hmp = Hmp()
    peer = serve(hmp)

    opened = []

    def open_it(**options: Any) -> Any:
        opened.append(open_psu(peer.address, name="supply", dialect="rs-hmp", timeout=1.0, **options))
        return opened[-1], hmp

    yield open_it
    for psu in opened:
        psu.link.close()


def test_one_hand_at_the_panel_is_asked_past(made: Any) -> None:
    psu, hmp = made()
    assert psu.is_on("1")
    hmp.meddle["INST:NSEL 1"] = [2]
    assert psu.is_on("1"), "the second output, which is off, answered for the first"
    hmp.meddle["MEAS:VOLT?"] = [2]
    assert psu.measure("1") == (5.0, 0.03)


def test_one_who_selects_again_and_again_is_an_error_of_the_bench(made: Any) -> None:
    psu, hmp = made()
    assert psu.is_on("1")
    hmp.meddle["INST:NSEL 1"] = [2] * 20
    with pytest.raises(OtherOutput, match="output 1 was selected, and 2 is: another program, or a hand at its panel"):
        psu.sample("1")
    with pytest.raises(OtherOutput):
        psu.off("1")
    assert hmp.on[1], "the off command went to the other output, and nobody says that this one is off"
    hmp.meddle.clear()
    assert psu.off("1")
    assert not hmp.on[1]


def test_a_supply_that_does_not_tell_what_is_selected_is_used_as_before(made: Any) -> None:
    psu, hmp = made()
    hmp.tells = False
    assert psu.is_on("1")
    assert psu.measure("1") == (5.0, 0.03)
