"""Whether words that are to leave the house resemble somebody's name: of a client, a thing, a person.

A name is taken for named when one telling word of it stands in the text, whole, cut short or with an ending;
when an identifier stands there however its parts are joined; when the first letters of a client's name stand
there in capitals. This finds too much rather than too little. What no letter tells (a nickname, "the lady
from the coast", a name misspelt) it does not find: the words stay the studio's to answer for.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

from provpack.package.heldnames import Person, Searcher, composed

_TELLING: Final = 4
"""Letters of a word that can tell whose name it is."""
_STEM: Final = 5
"""Letters that two words must have in common for one to be the other with an ending, or cut short."""
_LONGEST: Final = 12
"""Words in a row that are joined to look for an identifier."""
_CAPITALS: Final = 3
_SHORTEST: Final = 2
"""Letters of an identifier that is looked for; one letter stands everywhere."""

_LIST: Final = """
    about after again against also anew another archive archives audio back bass bearing been before
    began begin begins behind belt beyond board cable capstan capture channel chain clear clock
    collection coming company dark deck decoder decks digital drawn drop dull during each else elsewhere
    ends errors every failed fault first found from gone hand have head heads hears heard held here high
    hiss hours institute into item items just last later left level library like line long lost loud
    made machine many mean missing more most motor museum must muted mutes never noise noted notice
    nothing often once only other over part pass passes perhaps picture pinch played playing power
    pressed pulley quiet reel reels right roller sends side signal since slipped slow society some
    sometimes soon sound speed still stopped such tape tapes tension than that their them then there
    these they this those through time times tone track tracking trouble turned twice under university
    until very video wear weak well went were what when where whether which while whole will with word
    words worn would wrong
"""
ORDINARY: Final = frozenset(_LIST.split())
"""Words that tell nobody though they may be part of a name: of the trade and of every day."""


_OTHERS: Final = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ı": "i", "æ": "ae", "œ": "oe", "þ": "th"})
_TYPED: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa"})
"""Letters as they are often typed where they are not on the keyboard (common practice, no source)."""


def forms(text: str) -> tuple[str, ...]:
    """A text folded and without accents; also as it is typed where they are not on the keyboard."""
    folded = composed(text)
    return tuple(dict.fromkeys(_bare(one) for one in (folded, folded.translate(_TYPED))))


def _bare(folded: str) -> str:
    if folded.isascii():
        return folded
    parted = unicodedata.normalize("NFKD", folded.translate(_OTHERS))
    return "".join(c for c in parted if not unicodedata.combining(c))


def _words(form: str) -> list[str]:
    return re.findall(r"[^\W_]+", form)


def _telling(name: str) -> Iterator[str]:
    for form in forms(name):
        for word in _words(form):
            if len(word) >= _TELLING and word not in ORDINARY and not word.isdigit():
                yield word


@dataclass(slots=True)
class Names:
    """Names, and whose they are; None is nobody whom anybody noted. rows: of identifiers only these are kept,
    which the texts in question may hold (a catalogue has millions)."""

    rows: frozenset[str]
    words: dict[str, set[str | None]] = field(default_factory=dict)
    marks: dict[str, set[str | None]] = field(default_factory=dict)
    capitals: dict[str, set[str | None]] = field(default_factory=dict)
    _clients: set[str] = field(default_factory=set)

    def client(self, client: str | None) -> None:
        """A client's own name."""
        if client is None or client in self._clients:
            return
        self._clients.add(client)
        self._words(client, client)
        for name in (client, client.partition(",")[0]):  # "Name, place" is also meant by its name alone
            self._mark(client, name)
            first = "".join(word[0] for word in _words(forms(name)[0]))
            if len(first) >= _CAPITALS:
                self.capitals.setdefault(first, set()).add(client)

    def title(self, client: str | None, title: str | None) -> None:
        """What an item of this client is called."""
        if title is not None:
            self._words(client, title)
            self._mark(client, title)

    def identifiers(self, client: str | None, *names: str | None) -> None:
        """Numbers and names of this client's items, carriers, jobs, packages."""
        for name in names:
            if name is not None:
                self._mark(client, name)

    def _words(self, client: str | None, name: str) -> None:
        for word in _telling(name):
            self.words.setdefault(word, set()).add(client)

    def _mark(self, client: str | None, name: str) -> None:
        for form in forms(name):
            if (mark := "".join(_words(form))) in self.rows and mark not in ORDINARY:
                self.marks.setdefault(mark, set()).add(client)


def found_in(text: str, names: Names) -> dict[str, set[str | None]]:
    """Word or words of the text -> whose names they resemble."""
    found: dict[str, set[str | None]] = {}
    for form in forms(text):
        words = _words(form)
        for word in dict.fromkeys(words):
            for stem, owners in _alike(word, names.words):
                found.setdefault(word if word == stem else f"{word} ({stem})", set()).update(owners)
        for row in _rows(words):
            if row in names.marks:
                found.setdefault(row, set()).update(names.marks[row])
    for capitals in re.findall(r"[^\W\d_](?:\.?[^\W\d_])*", text):
        first = "".join(_words(forms(capitals)[0]))
        if capitals.isupper() and first in names.capitals:
            found.setdefault(capitals, set()).update(names.capitals[first])
    return found


def _alike(word: str, known: dict[str, set[str | None]]) -> Iterator[tuple[str, set[str | None]]]:
    if word in known:
        yield word, known[word]
    if len(word) < _STEM or word in ORDINARY:
        return
    for length in range(_STEM, len(word)):
        if word[:length] in known:
            yield word[:length], known[word[:length]]
    for name, owners in known.items():
        if len(name) > len(word) and name.startswith(word):
            yield name, owners


def rows_of(texts: Iterable[str]) -> frozenset[str]:
    """Everything in the texts that an identifier or a title may be: words in a row, as one word."""
    return frozenset(row for text in texts for form in forms(text) for row in _rows(_words(form)))


def _rows(words: list[str]) -> Iterator[str]:
    for at in range(len(words)):
        row = ""
        for word in words[at : at + _LONGEST]:
            row += word
            if len(row) >= _SHORTEST:
                yield row


def persons_in_words(text: str, persons: Iterable[Person]) -> set[str]:
    """Words of the text that can stand for one of these persons: a whole name in any order, the surname or a
    given name alone, initials with the surname."""
    known = tuple(persons)
    searcher = Searcher(known)
    found = set(searcher.hints(text))
    plain = {form for one in known for w in one.words if len(w) >= _TELLING for form in forms(w)} - ORDINARY
    for word in {word for form in forms(text) for word in _words(form)}:
        ends = len(word) >= _STEM and any(len(w) >= _STEM and word.startswith(w) for w in plain)
        begins = len(word) >= _STEM and any(w.startswith(word) for w in plain)
        if word in plain or ends or begins:
            found.add(word)
    found = {composed(word) for word in found} - ORDINARY
    if not found and searcher.finds(text):
        found.add("the whole name")
    return found
