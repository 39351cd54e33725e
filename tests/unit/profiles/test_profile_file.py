"""The profile as a file: what is wrong with itself, and files made to hurt.

Source: BagIt Profiles 1.4.0 by the name of the field; RFC 8259 for JSON.
"""

from __future__ import annotations

import json
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.profiles import document, facts, profile

from provpack.package.bagprofile import check_profile, parse_profile
from provpack.package.bagprofile_json import MAX_BYTES


def rules_of(**fields: Any) -> list[str]:
    return [f.rule.removeprefix("profile-") for f in profile(**fields).findings]


def info(**changes: Any) -> dict[str, Any]:
    """BagIt-Profile-Info with keys replaced; ... takes one out."""
    out = dict(document()["BagIt-Profile-Info"])
    for key, value in changes.items():
        out[key.replace("_", "-")] = value
    return {k: v for k, v in out.items() if v is not ...}


def test_a_sound_profile_draws_no_word() -> None:
    assert profile().findings == () and profile().sound


def test_defaults_are_those_of_the_specification() -> None:
    plain = profile(Serialization=...)
    assert plain.serialisation == "optional" and plain.allow_fetch and not plain.fetch_required
    assert not plain.data_empty and plain.tag_files_allowed is None and plain.manifests_allowed is None


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        # BagIt-Profile-Info: required keys
        ({"BagIt_Profile_Info": ...}, ["info-missing"]),
        ({"BagIt_Profile_Info": info(Source_Organization=...)}, ["info-missing"]),
        ({"BagIt_Profile_Info": info(External_Description=...)}, ["info-missing"]),
        ({"BagIt_Profile_Info": info(Version=" ")}, ["info-missing"]),
        ({"BagIt_Profile_Info": info(BagIt_Profile_Identifier=...)}, ["info-missing"]),
        ({"BagIt_Profile_Info": info(Version=1.0)}, ["wrong-type"]),
        ({"BagIt_Profile_Info": info(Contact_Email="a@b.example", Contact_Name="A", Contact_Phone="1")}, []),
        ({"BagIt_Profile_Info": info(Colour="blue")}, ["unknown-key"]),
        ({"BagIt_Profile_Info": info(BagIt_Profile_Identifier="bags-v1")}, ["discouraged"]),
        # BagIt-Profile-Version: absent means 1.1.0
        ({"BagIt_Profile_Info": info(BagIt_Profile_Version=...)}, ["version-assumed"]),
        ({"BagIt_Profile_Info": info(BagIt_Profile_Version="1.5.0")}, ["version-newer"]),
        ({"BagIt_Profile_Info": info(BagIt_Profile_Version="soon")}, ["wrong-type"]),
        # kinds of value
        ({"Bag_Info": []}, ["wrong-type"]),
        ({"Bag_Info": {"Shelf": True}}, ["wrong-type"]),
        ({"Bag_Info": {"Shelf": {"required": "true"}}}, ["wrong-type"]),
        ({"Bag_Info": {"Shelf": {"values": "A"}}}, ["wrong-type"]),
        ({"Bag_Info": {"Shelf": {"values": ["A", 2]}}}, ["wrong-type"]),
        ({"Bag_Info": {"Shelf": {"recommended": True}}}, ["unknown-key"]),
        ({"Bag_Info": {"She:lf": {}}}, ["contradiction"]),
        ({"Bag_Info": {" Shelf": {}}}, ["contradiction"]),
        ({"Bag_Info": {"": {}}}, ["contradiction"]),
        ({"Bag_Info": {"BagIt-Profile-Identifier": {}}}, ["discouraged"]),
        ({"Manifests_Required": "sha512"}, ["wrong-type"]),
        ({"Manifests_Required": ["manifest-sha512.txt"]}, ["wrong-type"]),
        ({"fetch": "false"}, ["wrong-type"]),
        ({"fetch": 0}, ["wrong-type"]),
        ({"Data_Empty": None}, ["wrong-type"]),
        ({"Serialization": "sometimes"}, ["wrong-type"]),
        ({"Accept_Serialization": ["tar"]}, ["wrong-type"]),
        ({"Accept_BagIt_Version": [1.0]}, ["wrong-type"]),
        ({"Accept_BagIt_Version": "1.0"}, ["wrong-type"]),
        ({"Colour": "blue"}, ["unknown-key"]),
        # Allowed must include Required
        ({"Manifests_Required": ["md5"], "Manifests_Allowed": ["sha512"]}, ["contradiction"]),
        ({"Tag_Manifests_Required": ["md5"], "Tag_Manifests_Allowed": []}, ["contradiction"]),
        ({"Tag_Files_Required": ["a.txt"], "Tag_Files_Allowed": ["b*"]}, ["contradiction"]),
        ({"Tag_Files_Required": ["meta/a.txt"], "Tag_Files_Allowed": ["meta/*"]}, []),
        ({"Payload_Files_Required": ["data/a"], "Payload_Files_Allowed": ["data/b*"]}, ["contradiction"]),
        ({"Payload_Files_Required": ["data/n/"], "Payload_Files_Allowed": ["data/*"]}, []),
        ({"Payload_Files_Required": ["data/n/"], "Payload_Files_Allowed": ["data/n/*.txt"]}, []),
        ({"Payload_Files_Required": ["data/n/"], "Payload_Files_Allowed": ["data/n/a.txt"]}, []),
        ({"Payload_Files_Required": ["data/n/"], "Payload_Files_Allowed": ["data/*.wav"]}, []),
        ({"Payload_Files_Required": ["data/n/"], "Payload_Files_Allowed": ["data/m/*"]}, ["contradiction"]),
        ({"Manifests_Allowed": []}, ["contradiction"]),
        # what one field needs of another
        ({"Accept_Serialization": ...}, ["contradiction"]),
        ({"Accept_Serialization": []}, ["contradiction"]),
        ({"Accept_Serialization": ..., "Serialization": "required"}, ["contradiction"]),
        ({"Accept_Serialization": ..., "Serialization": "forbidden"}, []),
        ({"Accept_BagIt_Version": ...}, ["contradiction"]),
        ({"Accept_BagIt_Version": []}, ["contradiction"]),
        ({"fetch": False, "fetch_required": True}, ["contradiction"]),
        ({"Data_Empty": True, "Payload_Files_Required": ["data/a", "data/b"]}, ["contradiction"]),
        ({"Data_Empty": True, "Payload_Files_Required": ["data/.keep"]}, []),
        # paths
        ({"Tag_Files_Required": ["bag-info.txt"]}, ["discouraged"]),
        ({"Tag_Files_Required": ["manifest-md5.txt"]}, ["discouraged"]),
        ({"Tag_Files_Required": ["/etc/passwd"]}, ["path-form"]),
        ({"Tag_Files_Required": ["../x"]}, ["path-form"]),
        ({"Tag_Files_Allowed": ["data/x"]}, ["path-form"]),
        ({"Tag_Files_Required": ["meta/"]}, ["path-form"]),
        ({"Payload_Files_Required": ["notes/x"]}, ["path-form"]),
        ({"Payload_Files_Allowed": ["notes/*"]}, ["path-form"]),
        ({"Payload_Files_Allowed": ["*"]}, []),
        ({"Payload_Files_Allowed": ["data/notes/"]}, ["discouraged"]),
        ({"Payload_Files_Required": ["data/*.wav"]}, ["discouraged"]),
        ({"Payload_Files_Required": ["data/a\u0000b"]}, ["path-form"]),
    ],
)
def test_the_profile_against_itself(fields: dict[str, Any], told: list[str]) -> None:
    assert rules_of(**fields) == told
    grave = {"info-missing", "wrong-type", "contradiction", "path-form"}
    assert profile(**fields).sound is not bool(grave & set(told))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, "must be true or false, but is null"),
        (1, "is a number"),
        ("no", "is the text 'no'"),
        ([], "is a list"),
        ({}, "is an object"),
    ],
)
def test_a_wrong_kind_of_value_is_named(value: Any, words: str) -> None:
    (finding,) = profile(Data_Empty=value).findings
    assert words in finding.what and finding.position == {"file": "harbour.json", "key": "Data-Empty"}
    (other,) = profile(Accept_Serialization=[], Serialization="forbidden", Manifests_Required=[True]).findings
    assert "is true" in other.what


def test_a_required_pattern_is_met_by_any_file_that_fits() -> None:
    asked = profile(Payload_Files_Required=["data/*.wav"])
    assert check_profile(asked, facts()) == ()
    told = check_profile(asked, facts(files={"data/a.flac": 1}))
    assert [f.rule for f in told] == ["profile-payload-file-missing"]


def test_a_folder_allowed_without_its_star_is_read_as_one() -> None:
    asked = profile(Payload_Files_Allowed=["data/notes/"])
    assert check_profile(asked, facts(files={"data/notes/a": 1})) == ()


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "not JSON"),
        (b"[]", "no JSON object"),
        (b'{"a": NaN}', "no number"),
        (b'{"a": 1', "not JSON (line 1"),
        (b"\xff\xfe{}", "not UTF-8"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "nested too deeply"),
        (b'{"a":' * 40 + b"1" + b"}" * 40, "nested too deeply"),
        (b'{"a": [' + b"1," * 30_000 + b"1]}", "more than"),
        (b'{"a": "' + b"x" * MAX_BYTES + b'"}', "larger than"),
        (b'{"a": ' + b"9" * 10_000 + b"}", "not JSON"),
    ],
)
def test_files_that_are_no_profile(data: bytes, why: str) -> None:
    read = parse_profile(data, "bad.json")
    assert not read.readable and not read.sound
    (told,) = read.findings
    assert told.rule == "profile-unreadable" and why in told.what


def test_a_byte_order_mark_is_passed_over() -> None:
    assert parse_profile(b"\xef\xbb\xbf" + json.dumps(document()).encode(), "p.json").sound


def test_a_key_that_stands_twice_is_told_and_makes_the_profile_unsound() -> None:
    # RFC 8259 section 4: what readers do then is unpredictable
    text = json.dumps(document())[:-1] + ', "Data-Empty": false, "Data-Empty": true}'
    read = parse_profile(text.encode(), "p.json")
    assert [f.rule for f in read.findings] == ["profile-key-twice"] and not read.sound


def test_more_patterns_than_are_checked_is_told() -> None:
    assert rules_of(Tag_Files_Allowed=[f"f{n}*" for n in range(600)]) == ["path-form"]


def test_hostile_patterns_and_many_files_take_no_long() -> None:
    stars = "data/" + "a*" * 2000
    asked = profile(Payload_Files_Allowed=[stars, "data/*" + "*" * 3000 + "b"])
    many = {f"data/{'a' * 200}{n}c": 1 for n in range(2000)}
    begun = time.process_time()
    told = check_profile(asked, facts(files=many))
    assert len(told) == 2000 and time.process_time() - begun < 5


def test_findings_do_not_grow_without_bound() -> None:
    asked = profile(Payload_Files_Allowed=["data/x"])
    told = check_profile(asked, facts(files={f"data/{n}": 1 for n in range(12_000)}))
    assert len(told) == 10_001 and "2000 more" in told[-1].what


@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
), st.sampled_from(sorted(document() | {
    "Bag-Info": 0, "Manifests-Allowed": 0, "Tag-Files-Required": 0, "Payload-Files-Allowed": 0,
    "Data-Empty": 0, "Allow-Fetch.txt": 0,
})))  # fmt: skip
def test_whatever_stands_in_a_field_nothing_is_raised(value: Any, key: str) -> None:
    read = parse_profile(json.dumps({**document(), key: value}).encode(), "p.json")
    check_profile(read, facts())
    for finding in read.findings:
        json.dumps(finding.as_json()).encode("utf-8")
        assert "\x00" not in finding.what
