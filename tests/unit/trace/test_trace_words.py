"""Words of a fault notice that resemble somebody else's name; what is looked for and what is not."""

from __future__ import annotations

import pytest

from provpack.jobs.traceresemble import Names, found_in, persons_in_words, rows_of
from provpack.package.heldnames import Person, Searcher, person_of

MINE = "Tarnwick Harbour Museum"
OTHER = "Ambersund Chamber Archive"
FAR = "Bählersjö Kulturförening, Nordvik"


def resembled(text: str) -> dict[str, set[str | None]]:
    """What of the text is somebody's, mine left out."""
    names = Names(rows=rows_of([text]))
    for client in (MINE, OTHER, FAR):
        names.client(client)
    names.title(MINE, "Harbour songs")
    names.title(OTHER, "String trio, second evening")
    names.title(FAR, "Kväll")
    names.identifiers(OTHER, "ACA-0413", "B-T9", "gtr-2031-007_t09", "GTR-2031-007")
    names.identifiers(MINE, "THM-12", "GTR-2031-007")
    names.identifiers(None, "X-77")
    return {word: owners for word, owners in found_in(text, names).items() if MINE not in owners}


@pytest.mark.parametrize(
    "text",
    [
        "Ambersund complained.",
        "AMBERSUND's tapes sound dull.",
        "the Ambersunders heard it",
        "Ambersund Chamber Arch.",
        "heard by Ambers. first",  # cut short
        "heard in a chamber archive",
        "Dull tone on the string trio.",
        "See ACA 0413.",
        "See aca0413, at half time",
        "See ACA/04-13",
        "See A.C.A. first",
        "for the ACA again",
        "tape B T9",
        "gtr 2031 007 T09",
        "x77 was the worst",  # nobody knows whose it is
        "Bahlersjo heard it",
        "Baehlersjoe heard it",
        "heard in Nordvik",
        "on kvall",
    ],
)
def test_a_word_like_a_name_of_others_is_found(text: str) -> None:
    assert resembled(text)


@pytest.mark.parametrize(
    "text",
    [
        "The capstan slipped.",
        "Head drum slipped now and then; belt worn, speed 2 % low.",
        "Heard first at Tarnwick: the harbour songs, THM 12.",
        "The whole archive of job GTR-2031-007 was played on it.",  # their own job, too
        "aca",  # initials count in capitals alone
        "",
    ],
)
def test_words_of_the_trade_and_of_the_clients_own_are_not(text: str) -> None:
    assert resembled(text) == {}


def people(*names: str) -> list[Person]:
    return [person for name in names if (person := person_of(name)) is not None]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("I. Varrow and Tomas heard it", {"varrow", "tomas"}),
        ("IVarrow noted it", {"ivarrow"}),
        ("varrow's ear", {"varrow"}),
        ("said Ann", {"ann"}),
        ("and any other", set()),
        ("Tomáš heard it", {"tomas"}),
        ("The capstan slipped.", set()),
    ],
)
def test_persons_are_found_by_a_part_of_their_name(text: str, found: set[str]) -> None:
    assert persons_in_words(text, people("Ilse Varrow", "Tomas Ekerholt", "Ann Li")) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("Ilse Maria Varrow saw it", True),
        ("VARROW, Ilse Maria saw it", True),  # surname first
        ("Maria Varrow Ilse saw it", True),  # given name last
        ("Maria Ilse Varrow saw it", False),
        ("Ilse Varrow saw it", False),
    ],
)
def test_a_name_of_three_words_is_found_given_name_first_or_last(text: str, found: bool) -> None:
    person = person_of("Ilse Maria Varrow")
    assert person is not None and Searcher([person]).finds(text) is found
