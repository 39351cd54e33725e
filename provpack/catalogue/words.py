"""Text and numbers on their way into a database: what no engine would take is made harmless here, once.

PostgreSQL takes no NUL and no surrogates, and indexes no text longer than 2704 bytes; integers have 64 bits.
Words for searching are made here too, for writing and asking alike, so that both engines answer alike.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from datetime import UTC

from provpack.model.formats import is_date, read_date_time
from provpack.package.bagpaths import readable

LONGEST_TEXT = 20_000
"""Characters kept of any text; more are cut off, and CUT stands at the end."""
CUT = " … (cut)"
LONGEST_KEY = 300
"""Characters of a text that is looked up: beyond, a digest of the whole stands for the rest.
Two of them in one index entry, of four bytes each character, stay below the 2704 bytes."""
MOST_WORDS = 4_000
"""Different words kept of one package for searching."""

_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z\Z")
_UNFIT = re.compile("[\x00\ud800-\udfff]")
_UNFIT_KEY = re.compile("[\x00\x1f\ud800-\udfff]")
_WORD = re.compile(
    r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|[^\W_]+",
)
_LONGEST_WORD = 64
_LONGEST_TIME = 10**9
_MOST = 10**12
"""Beyond these (seconds, events) a figure is none; below, the sums of a million fit 64 bits."""
_NO_DECOMPOSITION = str.maketrans(
    {"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h"}
)


def text(value: str | None) -> str | None:
    """Text as it may be stored: NUL and surrogates escaped, cut at LONGEST_TEXT with a mark."""
    if not isinstance(value, str):
        return None
    if len(value) > LONGEST_TEXT:
        value = value[: LONGEST_TEXT - len(CUT)] + CUT
    if value.isascii() and "\0" not in value:
        return value
    return _UNFIT.sub(lambda m: readable(m.group()), value)


def key(value: str) -> str:
    """Text that is looked up: as text(), but short enough for any index and still one for one; without the
    character that parts the keys of tallies."""
    clean = _UNFIT_KEY.sub(lambda m: readable(m.group()), value)
    if len(clean) <= LONGEST_KEY:
        return clean
    digest = hashlib.blake2b(clean.encode(), digest_size=16).hexdigest()
    return f"{clean[: LONGEST_KEY - 33]}…{digest}"


def key_or_none(value: str | None) -> str | None:
    return key(value) if isinstance(value, str) else None


def whole(value: int | None) -> int | None:
    """An integer that fits 63 bits; a larger one cannot be true of anything here: nobody told."""
    if isinstance(value, int) and -(2**63) <= value < 2**63:
        return int(value)
    return None


def summable(value: int | None) -> int | None:
    """A number that is added up."""
    return value if isinstance(value, int) and 0 <= value <= _MOST else None


def thousandths(value: float | None) -> int | None:
    """Seconds as whole milliseconds, so that sums come out the same in every order."""
    if not isinstance(value, int | float) or not 0 <= value < _LONGEST_TIME:
        return None
    return round(value * 1000)


def moment(value: str | None) -> str | None:
    """A moment as "YYYY-MM-DDTHH:MM:SSZ" (a day: its first second), None when it is none."""
    if not isinstance(value, str):
        return None
    if _MOMENT.match(value):
        return value
    if is_date(value):
        return f"{value}T00:00:00Z"
    read = read_date_time(value)
    try:
        return read.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") if read else None
    except (OverflowError, ValueError):
        return None


def day(value: str | None) -> str | None:
    """A day "YYYY-MM-DD" that exists, else None; of a moment, its day."""
    found = moment(value)
    return found[:10] if found and is_date(found[:10]) else None


def digest(value: str | None, length: int) -> bytes | None:
    """The bytes of a digest of `length` bytes given as hex, None when it is none."""
    if not isinstance(value, str) or len(value) != 2 * length or not value.isascii():
        return None
    try:
        return bytes.fromhex(value)
    except ValueError:
        return None


def start_of(value: bytes | None) -> int | None:
    """The first 63 bits of a digest: enough to tell one thing from another."""
    return int.from_bytes(value[:8], "big") >> 1 if value else None


def plain(value: str) -> str:
    """Lower case, without accents."""
    low = value.casefold()
    if low.isascii():
        return low
    parts = unicodedata.normalize("NFKD", low.translate(_NO_DECOMPOSITION))
    return "".join(c for c in parts if not unicodedata.combining(c)).casefold()


def words_of(texts: Iterable[str | None]) -> list[str]:
    """The different words of some texts, as they are stored and asked for, sorted; a UUID is one word."""
    found: set[str] = set()
    for one in texts:
        if not isinstance(one, str):
            continue
        for word in _WORD.finditer(plain(one[:LONGEST_TEXT])):
            found.add(word.group().replace("-", "")[:_LONGEST_WORD])
            if len(found) >= MOST_WORDS:
                return sorted(found)
    return sorted(found)
