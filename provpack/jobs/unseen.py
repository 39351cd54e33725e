"""Characters of a text that nobody sees: control characters, and marks that turn the order of letters."""

from __future__ import annotations

import re
from typing import Final

from provpack.edge import input_rules
from provpack.findings import Rule
from provpack.jobs import valuerules
from provpack.jobs.sheetfields import FILE_COLUMNS

_NOT_PLAIN: Final = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]"
)
_SECOND: Final = re.compile("[\xc2-\xf4][\x80-\xbf]")
"""What a byte above 0x7f became that was decoded wrongly: told as such, with what it probably was."""
_OPENS: Final = {
    "\u202a": "\u202c",
    "\u202b": "\u202c",
    "\u2066": "\u2069",
    "\u2067": "\u2069",
    "\u2068": "\u2069",
}
_OVERRIDES: Final = ("\u202d", "\u202e")


def unseen(text: str, *, name: str = "") -> tuple[Rule, str] | None:
    """The rule that a text breaks by what it holds unseen, and in which words; None when it breaks none.

    name: of the field. A file is called what it is called on the disk, so marks of direction are taken there.

    A mark of direction is taken when it ends in its own paragraph (Unicode Standard Annex 9, sections 3.3.1
    and 3.3.2); an override never: it shows letters in another order than they are read by any program.
    """
    if _NOT_PLAIN.search(text) is None:
        return None
    open_: list[str] = []
    for place, sign in enumerate(text, 1):
        if sign in "\r\n":
            if open_:
                return _turns(text, "is not ended in its line")
        elif name in FILE_COLUMNS and (sign in _OVERRIDES or sign in _OPENS or sign in _OPENS.values()):
            continue
        elif sign in _OVERRIDES:
            return _turns(text, f"(U+{ord(sign):04X}) shows letters in another order than they have")
        elif sign in _OPENS:
            open_.append(_OPENS[sign])
        elif sign in _OPENS.values():
            if not open_ or open_.pop() != sign:
                return _turns(text, f"(U+{ord(sign):04X}) ends nothing")
        elif _NOT_PLAIN.match(sign) and not ("\x80" <= sign <= "\x9f" and _SECOND.search(text)):
            what = (
                f"The text holds the character U+{ord(sign):04X} at position {place}, which nobody can see."
            )
            return input_rules.CELL_CONTROL, what
    return _turns(text, "is not ended in its line") if open_ else None


def _turns(text: str, how: str) -> tuple[Rule, str]:
    return valuerules.TEXT_DIRECTION, f"A mark of writing direction in '{shown(text)}' {how}."


def shown(text: str) -> str:
    """The text with what nobody sees as U+xxxx, at most some 60 characters."""
    return "".join(c if c.isprintable() else f"<U+{ord(c):04X}>" for c in text[:60])
