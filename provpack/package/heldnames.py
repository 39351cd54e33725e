"""Recognise a person's name however it is written: order, case, accents composed or not, blanks, encodings.

Nothing here knows languages: a name is its words. What the words of a name cannot tell (a nickname, initials,
another script) is not recognised, and nobody should think that it was.
"""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

_SHORTEST = 3
"""Letters a name of one word must have to be replaced inside other texts."""
_LOOSE = 6
"""Letters a name must have to be looked for without regard to what stands around it."""
_GAP = r"(?:[\W_]{0,40}|[\W_]{1,3}[^\W_]\.?[\W_]{1,3})"
"""What may stand between two words of a name: blanks, line ends, NUL bytes, nothing at all, an initial."""
_START, _END = r"(?<![^\W_])", r"(?![^\W_])"
_PARTICLES = frozenset(
    [
        "al",
        "bin",
        "da",
        "de",
        "dei",
        "del",
        "della",
        "den",
        "der",
        "di",
        "do",
        "dos",
        "du",
        "el",
        "ibn",
        "la",
        "le",
        "mac",
        "mc",
        "mr",
        "mrs",
        "ms",
        "of",
        "san",
        "st",
        "the",
        "van",
        "vom",
        "von",
        "zu",
        "zum",
        "zur",
        "dr",
        "prof",
        "sir",
        "y",
        "e",
    ]
)
"""Words in names that tell nobody (common practice, no source)."""
_TAG = re.compile(r"<[^<>]{0,200}>")
_JSON = re.compile(r"\\u([0-9a-fA-F]{4})")
_QUOTED = re.compile(rb"=([0-9A-F]{2})")
_RTF = re.compile(rb"\\'([0-9a-fA-F]{2})")
_ENCODINGS = ("utf-8", "cp1252", "cp850", "mac_roman")


_TRANSCRIBED = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa", "æ": "ae", "œ": "oe", "ß": "ss", "þ": "th"}
)
"""Letters as they are often typed where they are not on the keyboard (common practice, no source)."""


def _without_accent(char: str) -> str:
    return {"ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i"}.get(
        char, unicodedata.normalize("NFD", char)[0]
    )


_BARE = {ord(c): _without_accent(c) for c in map(chr, (*range(0xC0, 0x250), *range(0x1E00, 0x1F00)))}


def _bare(text: str) -> str:
    """Accents composed, then taken off letter by letter: as long as the text in Unicode form C."""
    return text if text.isascii() else unicodedata.normalize("NFC", text).translate(_BARE)


def _transcribed(word: str) -> str:
    return _bare(unicodedata.normalize("NFC", word).lower().translate(_TRANSCRIBED))


def composed(text: str) -> str:
    """Compared so: accents composed (Unicode form C), case folded, runs of blanks as one blank."""
    return " ".join(unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold()).split())


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Everything by which one person is written in the sheets. words: of the name, given name first, folded;
    spellings: as written, the bare name first."""

    words: tuple[str, ...]
    spellings: tuple[str, ...]

    @property
    def key(self) -> object:
        """The same for `Ilse Varrow`, `VARROW Ilse` and `Varrow, Ilse`."""
        return tuple(sorted(self.words))

    def also(self, other: Person) -> Person:
        """The same person with the other's spellings too."""
        both = dict.fromkeys((*self.spellings, *other.spellings))
        return Person(words=self.words, spellings=tuple(both))


def person_of(value: str) -> Person | None:
    """Whom a person field names; None when it has no letter or digit.

    `Name, organisation` names the same person as `Name`; a single word before and a capitalised one after the
    comma are read as surname and given name.
    """
    value = " ".join(unicodedata.normalize("NFC", value).split())
    before, comma, after = (part.strip() for part in value.partition(","))
    name = before or value
    if comma and len(_words(before)) == 1 and 1 <= len(_words(after)) <= 2 and after[:1].isupper():
        name = f"{after} {before}"
    words = tuple(_words(composed(name)))
    if not words:
        return None
    return Person(words=words, spellings=tuple(dict.fromkeys((name, value))))


class Searcher:
    """Finds some persons in texts and bytes."""

    def __init__(self, persons: Sequence[Person]) -> None:
        self._persons = persons

    @cached_property
    def _forms(self) -> list[str]:
        """Any name with all its words, given name first or last, as patterns; longest first."""
        forms: set[tuple[str, ...]] = set()
        for person in self._persons:
            # folded and as written: folding may change letters that IGNORECASE does not take for the same;
            # both without accents, and with the letters that stand for them where they cannot be typed
            written = (person.words, tuple(_words(person.spellings[0])))
            told = {tuple(map(way, words)) for words in written for way in (_bare, _transcribed)}
            for words in told:
                if len(words) > 1:
                    forms |= {words, (words[-1], *words[:-1]), (*words[1:], words[0])}
                elif len(words[0]) >= _SHORTEST:
                    forms.add(words)
        return sorted((_GAP.join(map(re.escape, form)) for form in forms), key=len, reverse=True)

    @cached_property
    def _whole(self) -> re.Pattern[str] | None:
        told = "|".join(self._forms)
        return re.compile(f"{_START}(?:{told}){_END}", re.IGNORECASE) if told else None

    @cached_property
    def _anywhere(self) -> re.Pattern[str] | None:
        """The same wherever it stands: next to UTF-16 text other bytes look like letters."""
        told = "|".join(form for form in self._forms if len(form.replace(_GAP, "")) >= _LOOSE)
        return re.compile(told, re.IGNORECASE) if told else None

    @cached_property
    def _parts(self) -> frozenset[str]:
        """Single words that can stand for one of them, folded: surname, initial and surname ..."""
        found: set[str] = set()
        for person in self._persons:
            words = [w for w in person.words if w not in _PARTICLES and not w.isdigit()]
            found |= {w for w in words if len(w) > 1}
            if len(words) > 1:
                first, last = words[0], words[-1]
                found |= {first[0] + last, last + first[0], first + last[0], first + last, last + first}
        return frozenset(found)

    def finds(self, text: str) -> bool:
        """Whether a whole name stands in the text."""
        return self._whole is not None and self._whole.search(_bare(text)) is not None

    def replaced(self, text: str, label: str) -> str:
        """The text with each whole name replaced; unchanged when there is none."""
        if self._whole is None or not self.finds(text):
            return text
        whole, out, at = unicodedata.normalize("NFC", text), [], 0
        for match in self._whole.finditer(_bare(whole)):  # as long as the text itself
            out += [whole[at : match.start()], label]
            at = match.end()
        return "".join((*out, whole[at:]))

    def hints(self, text: str, shortest: int = 2) -> Iterator[str]:
        """Words of the text, each once, that can stand for one of them; words of up to three letters count
        only with a capital."""
        for word in dict.fromkeys(_words(unicodedata.normalize("NFC", text))):
            telling = len(word) > 3 or word[:1].isupper()
            if len(word) >= shortest and telling and composed(word) in self._parts:
                yield word

    def in_bytes(self, data: bytes) -> bool:
        """Whether a whole name stands in bytes of unknown encoding."""
        if any(self.finds(text) for text in readings(data)):
            return True
        wide = self._anywhere
        return wide is not None and any(wide.search(_bare(text)) for text in wide_readings(data))

    def hints_in_bytes(self, data: bytes) -> Iterator[str]:
        """Words of four letters or more in bytes of unknown encoding that can stand for one of them."""
        texts = (*readings(data, sure_only=True), *wide_readings(data))
        yield from dict.fromkeys(word for text in texts for word in self.hints(text, shortest=4))


def readings(data: bytes, *, sure_only: bool = False) -> Iterator[str]:
    """The bytes as text in each encoding of one byte and in UTF-8, and with the escapes of HTML, JSON,
    quoted-printable and RTF resolved; sure_only: UTF-8 and Windows-1252 alone."""
    for encoding in _ENCODINGS[:2] if sure_only else _ENCODINGS:
        text = data.decode(encoding, "replace")
        yield text
        if encoding == "utf-8" and ("&" in text or "<" in text):
            yield html.unescape(_TAG.sub(" ", text))
        if encoding == "utf-8" and "\\u" in text:
            yield _JSON.sub(lambda m: chr(int(m.group(1), 16)), text)
    for escape, encoding in ((_QUOTED, "utf-8"), (_QUOTED, "cp1252"), (_RTF, "cp1252")):
        if escape.search(data):
            yield escape.sub(lambda m: bytes.fromhex(m.group(1).decode()), data).decode(encoding, "replace")


def wide_readings(data: bytes) -> Iterator[str]:
    """The bytes as UTF-16, at even and odd offsets: text may begin anywhere in a chunk."""
    if b"\0" in data:
        for start in (0, 1):
            for encoding in ("utf-16-le", "utf-16-be"):
                yield data[start:].decode(encoding, "replace")


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text)


def names_of(values: Iterable[object]) -> list[str]:
    """The texts among values that are not empty."""
    return [v for v in values if isinstance(v, str) and v.strip()]
