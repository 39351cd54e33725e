"""Patterns: held against the standard library's own, and against input made to make them slow."""

from __future__ import annotations

import fnmatch
import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provpack.package.bagprofile_glob import any_run, name_pattern

SOURCE = "fnmatch of the standard library"


@given(st.text("ab/*.", max_size=12), st.text("ab/.", max_size=16))
def test_a_star_means_what_it_means_to_the_standard_library(pattern: str, name: str) -> None:
    # fnmatch: * matches everything, / included
    assert any_run(pattern)(name) is fnmatch.fnmatchcase(name, pattern), SOURCE


@given(st.text("a1/*?.", max_size=10), st.text("a1/.\n", max_size=14))
def test_star_and_question_mark_mean_what_they_mean_to_the_standard_library(pattern: str, name: str) -> None:
    assert name_pattern(pattern)(name) is fnmatch.fnmatchcase(name, pattern), SOURCE


@given(st.text("aZ9#@*?-", max_size=9), st.text("aZ9-", max_size=12))
def test_digits_and_letters_against_a_plain_regular_expression(pattern: str, name: str) -> None:
    # the same pattern written without any care for time: re of the standard library
    plain = "".join(
        {"*": ".*", "?": ".", "#": "[0-9]", "@": "[A-Za-z]"}.get(c, re.escape(c)) for c in pattern
    )
    assert name_pattern(pattern)(name) is (re.fullmatch(plain, name, re.DOTALL) is not None)


@pytest.mark.parametrize(
    ("pattern", "good", "bad"),
    [
        ("ACA-####", ["ACA-0411"], ["ACA-411", "aca-0411", "ACA-04111", "ACA-०४११"]),
        ("@@-##*", ["TH-88", "TH-88-03"], ["T1-88", "TH-8"]),
        (r"BRC\##*/##", ["BRC#7/01", "BRC#712/01"], ["BRC77/01", "BRC#/01"]),
        (r"a\*b\\", ["a*b\\"], ["axb\\", "a*b"]),
        ("a\\", ["a\\"], ["a"]),
        ("", [""], ["a"]),
        ("[a-z]+", ["[a-z]+"], ["a"]),
    ],
)
def test_names(pattern: str, good: list[str], bad: list[str]) -> None:
    assert all(map(name_pattern(pattern), good)) and not any(map(name_pattern(pattern), bad))


@pytest.mark.parametrize("pattern", ["*a" * 90 + "b", "a*" * 90 + "b", "*" * 180 + "b", "?*" * 90 + "#"])
def test_no_pattern_takes_long(pattern: str) -> None:
    begun = time.process_time()
    assert not name_pattern(pattern)("a" * 20_000)
    assert not any_run(pattern.replace("?", "a").replace("#", "b"))("a" * 20_000)
    assert time.process_time() - begun < 2
