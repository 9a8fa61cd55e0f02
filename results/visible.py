"""Text from outside, made visible before it is shown: what a board, an instrument, a file or another bench has said.

A terminal obeys some characters: an escape sequence in a console answer sets the clipboard (OSC 52), one in a serial
number paints over a FAIL, a line break in it writes a line that we never wrote; marks of writing direction turn a word
round (Unicode TR 36). They are shown as their escapes, as Python writes them.

    visible("SN1\\x1b]52;c;cm0=\\x07")       'SN1\\\\x1b]52;c;cm0=\\\\x07'      one field: no line break, no tab
    shown("several\\nlines")                the same with line breaks kept, for text of ours that has fields in it
    plain_cell("=cmd|'/c calc'!A1")        "'=cmd|'/c calc'!A1"             a cell that a spreadsheet must not run
"""

from __future__ import annotations

import re
from typing import IO, Final

# C0, DEL, C1; line and paragraph separators; marks of direction; zero width, tags, lone surrogates, private use
_CONTROL: Final = (
    "\x00-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff\ue000-\uf8ff"
    "\U000e0000-\U000e0fff"
)
_ANY: Final = re.compile(f"[{_CONTROL}]")
_KEEPING: Final = re.compile(f"(?P<ours>[\n\t]|\x1b\\[[0-79;]*m)|[{_CONTROL}]")
_SCREEN: Final = re.compile(
    f"(?P<ours>[\n\t\r\x07]|\x1b\\[[0-79;]*m|\x1b\\[\\d*[A-HJK]|\x1b\\[\\?25[hl]|\x1b\\[\\?1049[hl])|[{_CONTROL}]"
)
_BLANKS: Final = re.compile(r"[ \t]+((?:\x1b\[[0-79;]*m)*)(?=\n)")  # what a table and a broken line end with
FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_HARMLESS: Final = re.compile(r"[-+](?:[\w.]*|(?:\d+\.?\d*|\.\d+)[eE][-+]?\d+)\Z")  # numbers, and nets: +3V3, -12V


def visible(text: object) -> str:
    """One field for a person: every character that is obeyed and not seen as its escape."""
    return _ANY.sub(lambda found: escaped(found[0]), str(text))


def shown(text: str) -> str:
    """Lines of ours: line breaks, tabs and our own colours are kept (not the one that hides)."""
    return _KEEPING.sub(_or_escaped, text)


def escaped(character: str) -> str:
    code = ord(character)
    return {9: "\\t", 10: "\\n", 13: "\\r"}.get(code) or (
        f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
    )


def plain_json(text: str) -> str:
    """JSON text whose strings hold no such character raw: JSON has escapes of its own (RFC 8259, 7)."""
    return re.sub(f"(?!\n)[{_CONTROL}]", lambda found: _json_escape(ord(found[0])), text)


def _json_escape(code: int) -> str:
    if code < 0x10000:
        return f"\\u{code:04x}"
    high, low = divmod(code - 0x10000, 0x400)
    return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"


def plain_cell(value: object) -> object:
    """A cell of a table for other programs: text that a spreadsheet would take for a formula gets a quote before it
    (OWASP, CSV injection). Numbers and the names of nets stay as they are: without an operator nothing is run."""
    if isinstance(value, str) and value.startswith(FORMULA) and not _HARMLESS.match(value):
        return "'" + value
    return value


def _or_escaped(found: re.Match[str]) -> str:
    return found[0] if found["ours"] else escaped(found[0])


class VisibleStream:
    """A terminal's stream that obeys what we paint with (colours, the cursor) and shows everything else."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(_BLANKS.sub(r"\1", _SCREEN.sub(_or_escaped, text)))
        return len(text)

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)
