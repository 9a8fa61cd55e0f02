"""A reply of noise is called noise; a reply that another question could have is called that."""

from __future__ import annotations

from typing import Any

import pytest

from wakeboard.instruments.errors import LinkGarbled
from wakeboard.instruments.link.link import Link
from wakeboard.instruments.link.manners import Manners
from wakeboard.instruments.link.replies import like_reply


@pytest.mark.parametrize(
    "reply", ["5.000", "+1.0E-01;1;1", '0,"No error"', "(@101,102)", "ON", "#14(@1)", "CV;ON", "'VOLT'"]
)
def test_replies(reply: str) -> None:
    assert like_reply(reply)


@pytest.mark.parametrize("reply", ["\x80\xfe\x13", "%$~;;{", "\xff\xff\xff", "~~~~", "5.0\x00\x07\x1b;1"])
def test_noise(reply: str) -> None:
    assert not like_reply(reply)


@pytest.mark.parametrize(("reply", "says"), [("\x80\xfe~~", "it is noise"), ("5.0;0.1", "another question")])
def test_the_link_says_which(serve: Any, reply: str, says: str) -> None:
    address = serve(lambda session, line: session.say(reply + "\n")).address
    link = Link.open(address, name="supply", manners=Manners(checked=True), timeout=2.0)
    with link, pytest.raises(LinkGarbled, match=says):
        link.ask("VOLT?")
