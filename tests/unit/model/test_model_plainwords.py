"""Broken schema keywords in plain language."""

from __future__ import annotations

import pytest

from provpack.model.plainwords import explain, kind_of, missing_key, nearest, shown, unknown_key


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (None, "null (nothing)"),
        (True, "true or false"),
        (3, "a whole number"),
        (3.5, "a number"),
        ("x", "text"),
        ([], "a list"),
        ({}, "a table of fields"),
    ],
)
def test_every_kind_has_a_name(value: object, kind: str) -> None:
    assert kind_of(value) == kind


def test_long_and_strange_values_are_shown_short() -> None:
    assert shown("a" * 100) == '"' + "a" * 56 + "..."
    assert shown({"set": {1, 2}}) == "'dict'"


@pytest.mark.parametrize(
    ("value", "words", "hint"),
    [
        ("Betamax", ["betamax", "vhs"], ' Did you mean "betamax"?'),
        ("S-VHS", ["s_vhs", "vhs"], ' Did you mean "s_vhs"?'),
        ("not observed", ["not_observed", "unknown"], ' Did you mean "not_observed"?'),
        ("zzz", ["on", "off"], ""),
        (3, ["on"], ""),
        ("x" * 10_000, ["on"], ""),
    ],
)
def test_the_nearest_word(value: object, words: list[object], hint: str) -> None:
    assert nearest(value, words) == hint


def test_an_unknown_field_lists_few_but_not_many() -> None:
    assert (
        unknown_key("zzz", ["frame", "type"]) == 'the field "zzz" is not known here. Known here: frame, type.'
    )
    assert unknown_key("zzz", [f"k{n}" for n in range(20)]) == 'the field "zzz" is not known here.'


def test_a_missing_field() -> None:
    assert missing_key("title", "") == '"title" is missing.'


@pytest.mark.parametrize(
    ("keyword", "limit", "value", "text"),
    [
        ("enum", [8, True, "x"], 9, "9 is not one of the values allowed: 8, true, x."),
        ("const", 14, 16, "must be 14, but is 16."),
        ("type", "integer", "3", 'must be a whole number, but is text ("3").'),
        ("type", ["string", "null"], 3, "must be text or null (nothing), but is a whole number (3)."),
        ("type", "string", None, "must be text, but is null (nothing)."),
        ("format", "date", "x", '"x" is not a date that exists in the calendar, YYYY-MM-DD.'),
        ("minimum", 1, 0, "0 is below the lowest value allowed, 1."),
        ("maxItems", 2, [1, 2, 3], "[1, 2, 3] has too many entries: at most 2 allowed."),
        ("minLength", 1, "", "is empty; leave the field out when there is nothing to say."),
        ("minLength", 3, "ab", '"ab" is too short: at least 3 character(s) are needed.'),
        ("uniqueItems", True, "dust", 'names the same entry twice: "dust".'),
        ("anyOf", [{"required": ["a"]}, {"required": ["b"]}], {}, "needs one of these fields: a, b."),
        ("anyOf", [{"type": "null"}, {"required": ["b"]}], 3, "3 does not have any of the forms wanted."),
        ("contains", {"properties": {"role": {"const": "master"}}}, [], 'lacks an entry with role "master".'),
        ("contains", {"enum": [1]}, [], "lacks an entry with what is needed."),
        ("contains", {"properties": {"role": {"enum": [1]}}}, [], "lacks an entry with what is needed."),
        ("maxContains", 1, [], "has more than 1 entry of a kind of which only so many may be there."),
        ("not", {}, "x", '"x" is not allowed here.'),
        ("pattern", "^a$", "b", '"b" does not have the form wanted (pattern: "^a$").'),
    ],
)
def test_a_broken_keyword_in_words(keyword: str, limit: object, value: object, text: str) -> None:
    assert explain(keyword, limit, value, "") == text


def test_the_meaning_of_a_field_stands_in_for_its_pattern() -> None:
    assert explain("pattern", "^a$", "b", "A date.") == '"b" does not have the form wanted. A date.'
