"""Who may come in, and who may press: the one-time address, the code, the session, and what each request must carry.

door = Door(place, port)
door.address                    to be opened once: http://127.0.0.1:PORT/in/TOKEN
session = door.enter(token, code)    None: wrong. On the bench's network the code is typed, too
door.refusal(method, headers)   why a request is refused; "" where it is welcome

A token is good for one device; entering makes the next one. Comparisons take the same time whatever is wrong. After
TRIES wrong codes the door stays shut until the program is started again. There is no encryption: who can listen on the
network can take a session over, which page.md says.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie

from wakeboard.harness.page.address import Place

TRIES = 5  # wrong codes of six digits before the door shuts: 1 in 200 000 to guess it
SAFE_METHODS = ("GET", "HEAD")
CSRF_HEADER = "x-wakeboard-page"
MOST_SESSIONS = 40  # devices at a bench in a day, and more


class Door:
    """One for a server's life."""

    def __init__(self, place: Place, port: int) -> None:
        self.place = place
        self.port = port
        self.code = "" if place.loopback else f"{secrets.randbelow(10**6):06d}"
        self.token = secrets.token_urlsafe(24)
        self.wrong = 0
        self._sessions: dict[str, str] = {}  # session -> its token against cross-site writes
        self.cookie = f"wakeboard_page_{port}"  # browsers keep cookies by host, not by port

    @property
    def origin(self) -> str:
        return f"http://{self.place.authority(self.port)}"

    @property
    def address(self) -> str:
        """For one device."""
        return f"{self.origin}/in/{self.token}"

    @property
    def shut(self) -> bool:
        return self.wrong >= TRIES

    def knows(self, token: str) -> bool:
        """Whether it is the address that was told, not used yet."""
        return not self.shut and _same(token, self.token)

    def enter(self, token: str, code: str) -> str | None:
        """A new session for the right token and code; the token is used up by it."""
        if not self.knows(token):
            return None
        if not _same(code.replace(" ", ""), self.code):
            self.wrong += 1
            return None
        self.token = secrets.token_urlsafe(24)
        session = secrets.token_urlsafe(32)
        self._sessions[session] = secrets.token_urlsafe(24)
        while len(self._sessions) > MOST_SESSIONS:
            self._sessions.pop(next(iter(self._sessions)))
        return session

    def session(self, headers: Mapping[str, str]) -> str | None:
        """The session of a request's cookie, where it is one of ours."""
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie)
        except CookieError:
            return None
        return morsel.value if morsel is not None and morsel.value in self._sessions else None

    def csrf(self, session: str) -> str:
        """What the pages of a session send with each write."""
        return self._sessions[session]

    def strange_host(self, headers: Mapping[str, str]) -> bool:
        """Whether the request was meant for another name: a page elsewhere whose name was pointed here."""
        return headers.get("host", "").casefold() not in self.place.authorities(self.port)

    def strange_origin(self, headers: Mapping[str, str]) -> bool:
        """Whether a write comes from another page than ours."""
        origin = headers.get("origin", "").casefold()
        ours = {f"http://{each}" for each in self.place.authorities(self.port)}
        return origin not in ours or headers.get("sec-fetch-site", "same-origin") != "same-origin"

    def refusal(self, method: str, headers: Mapping[str, str]) -> str:
        """Why a request is refused that needs a session; "" where it is welcome."""
        if self.strange_host(headers):
            return "this page is not served under that name"
        session = self.session(headers)
        if session is None:
            return "open the address that the terminal shows"
        if method in SAFE_METHODS:
            return ""
        if self.strange_origin(headers):
            return "a page of another site wanted to press something here"
        sent = headers.get(CSRF_HEADER, "")
        return "" if _same(sent, self.csrf(session)) else "this page is out of date: load it again"


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())
