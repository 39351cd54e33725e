"""Names inside packages: letters, digits, `_`, `-`, `.` (design, section 3)."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provpack.package.names import distinct_file_names, package_name, safe_file_name

SAFE = re.compile(r"[a-z0-9_\-][a-z0-9_.\-]*")


@pytest.mark.parametrize(
    ("original", "safe"),
    [
        ("Foo Bar.WAV", "foo_bar.wav"),
        ("../../x.txt", "x.txt"),
        ("C:\\scans\\a%20b.jpg", "a_20b.jpg"),
        ("line\nbreak.txt", "line_break.txt"),
        ("Été.TIF", "ete.tif"),
        ("日本.txt", "unnamed.txt"),
        ("", "unnamed"),
        ("..", "unnamed"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("con.txt", "x_con.txt"),
        ("a.tar.gz", "a.tar.gz"),
    ],
)
def test_file_names(original: str, safe: str) -> None:
    assert safe_file_name(original) == safe


def test_long_names_keep_extension_and_difference() -> None:
    one, two = safe_file_name("x" * 300 + "1.wav"), safe_file_name("x" * 300 + "2.wav")
    assert one != two
    for name in (one, two, package_name("j" * 200, "t")):
        assert len(name) <= 100 and SAFE.fullmatch(name)
    assert one.endswith(".wav")


def test_package_names_are_for_ever() -> None:
    assert package_name("J-2031/07", "Band Nr. 4 ü") == "j-2031_07_band_nr._4_u"
    assert package_name("\u2603", "..") == "job_transfer"


def test_a_character_that_becomes_a_dot() -> None:
    assert safe_file_name("0:\u20240") == "0.0"


def test_collisions_are_numbered_in_order() -> None:
    names = distinct_file_names(
        ["a.txt", "A.TXT", "x/a.txt", "a-2.txt", "L" * 200 + ".txt", "L" * 200 + ".TXT"]
    )
    assert names[:4] == ("a.txt", "a-2.txt", "a-3.txt", "a-2-2.txt")
    assert len(set(names)) == 6 and all(len(n) <= 100 for n in names)


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=150), st.text(max_size=150))
def test_any_name_is_safe_and_stays_as_it_is(one: str, two: str) -> None:
    for name in (safe_file_name(one), package_name(one, two), *distinct_file_names([one, two, one])):
        assert SAFE.fullmatch(name) and len(name.encode()) <= 100
    assert safe_file_name(safe_file_name(one)) == safe_file_name(one)
