"""Every clause of BagIt Profiles 1.4.0 that a bag can break, one row each.

Source: BagIt Profiles Specification 1.4.0 (2023-01-13) by the name of the field, as set down in the facts
file on packaging, section 2; RFC 8493 where named. "memory": not in that file, written from memory. "ours":
the text is silent, and the row is our reading.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import pytest
from support.profiles import IDENTIFIER, facts, profile

from provpack.package.bagprofile import check_profile


class Row(NamedTuple):
    clause: str
    asked: dict[str, Any]
    bag: dict[str, Any]
    told: tuple[str, ...]


TAR, ZIP = "application/x-tar", "application/zip"
ORG = ("Source-Organization", "Grauwell Transfer Room")
NOTES = {"data/notes/label.txt": 9, "data/a.wav": 44}
META = {"metadata/premis.xml": 9}


def bag_info(**parameters: Any) -> dict[str, Any]:
    return {"Bag_Info": {"Source-Organization": parameters}}


ROWS = (
    Row("a bag with nothing asked of it meets the profile", {}, {}, ()),
    # -- BagIt-Profile-Identifier
    Row("BagIt-Profile-Identifier: always required", {}, {"named": False}, ("identifier-missing",)),
    Row("BagIt-Profile-Identifier: bag-info.txt is mandatory", {},
        {"named": False, "has_bag_info": False}, ("no-bag-info", "identifier-missing")),
    Row("BagIt-Profile-Identifier: another profile's", {},
        {"named": False, "info": (("BagIt-Profile-Identifier", "https://other.example/p.json"),)},
        ("identifier-other",)),
    Row("BagIt-Profile-Identifier: may be repeated", {},
        {"info": (("BagIt-Profile-Identifier", "https://other.example/p.json"),)}, ()),
    Row("RFC 8493 2.2.2: names of reserved elements do not count case", {},
        {"named": False, "info": (("bagit-profile-identifier", IDENTIFIER),)}, ()),
    Row("BagIt-Profile-Identifier: listed under Bag-Info all the same",
        {"Bag_Info": {"BagIt-Profile-Identifier": {"required": True}}}, {}, ()),
    Row("... and told once when it is missing",
        {"Bag_Info": {"BagIt-Profile-Identifier": {"required": True}}}, {"named": False},
        ("identifier-missing",)),
    # -- Bag-Info
    Row("required: default false", bag_info(), {}, ()),
    Row("required: false", bag_info(required=False), {}, ()),
    Row("required: true", bag_info(required=True), {}, ("info-tag-missing",)),
    Row("required: there", bag_info(required=True), {"info": (ORG,)}, ()),
    Row("required: in other case (RFC 8493 2.2.2)", bag_info(required=True),
        {"info": (("SOURCE-organization", "x"),)}, ()),
    Row("required: there without a value (ours: worth a warning)", bag_info(required=True),
        {"info": (("Source-Organization", ""),)}, ("info-tag-empty",)),
    Row("values: empty list = any", bag_info(values=[]), {"info": (ORG,)}, ()),
    Row("values: one of them", bag_info(values=["Other", ORG[1]]), {"info": (ORG,)}, ()),
    Row("values: none of them", bag_info(values=["Other"]), {"info": (ORG,)}, ("info-tag-value",)),
    Row("values: case counts (ours)", bag_info(values=[ORG[1].upper()]), {"info": (ORG,)},
        ("info-tag-value",)),
    Row("values: the element is not there and not required", bag_info(values=["Other"]), {}, ()),
    Row("values: of every repetition", bag_info(values=[ORG[1]]),
        {"info": (ORG, ("Source-Organization", "Second"))}, ("info-tag-value",)),
    Row("values: folded in the file (RFC 8493 2.2.2)", bag_info(values=[ORG[1]]),
        {"info": (("Source-Organization", "Grauwell\nTransfer Room"),)}, ()),
    Row("repeatable: default true", bag_info(), {"info": (ORG, ORG)}, ()),
    Row("repeatable: false", bag_info(repeatable=False), {"info": (ORG, ORG)}, ("info-tag-repeated",)),
    Row("repeatable: false, in other case", bag_info(repeatable=False),
        {"info": (ORG, ("source-organization", "x"))}, ("info-tag-repeated",)),
    Row("repeatable: false, once", bag_info(repeatable=False), {"info": (ORG,)}, ()),
    Row("description: asks for nothing", bag_info(description="Who sent it"), {}, ()),
    Row("Bag-Info: any tag may be defined", {"Bag_Info": {"Shelf": {"required": True}}}, {},
        ("info-tag-missing",)),
    Row("Bag-Info: a tag that is not defined may stand there", bag_info(), {"info": (("Shelf", "3"),)}, ()),
    # -- manifests
    Row("Manifests-Required", {"Manifests_Required": ["sha256"]}, {}, ("manifest-missing",)),
    Row("Manifests-Required: each of them", {"Manifests_Required": ["md5", "sha256"]}, {},
        ("manifest-missing", "manifest-missing")),
    Row("Manifests-Required: there", {"Manifests_Required": ["sha512"]}, {}, ()),
    Row("Manifests-Required: name of the algorithm (RFC 8493 2.4)", {"Manifests_Required": ["SHA-512"]}, {},
        ()),
    Row("Manifests-Allowed: not given = all", {}, {"payload_algorithms": ("md5", "sha512")}, ()),
    Row("Manifests-Allowed: only these", {"Manifests_Allowed": ["sha512"]},
        {"payload_algorithms": ("md5", "sha512")}, ("manifest-not-allowed",)),
    Row("Manifests-Allowed: need not all be there", {"Manifests_Allowed": ["md5", "sha512"]}, {}, ()),
    Row("Tag-Manifests-Required", {"Tag_Manifests_Required": ["sha512", "md5"]}, {},
        ("tagmanifest-missing",)),
    Row("Tag-Manifests-Required: a payload manifest is none", {"Tag_Manifests_Required": ["sha512"]},
        {"tag_algorithms": ()}, ("tagmanifest-missing",)),
    Row("Tag-Manifests-Allowed: not given = all", {}, {"tag_algorithms": ("md5",)}, ()),
    Row("Tag-Manifests-Allowed: only these", {"Tag_Manifests_Allowed": ["sha256"]}, {},
        ("tagmanifest-not-allowed",)),
    Row("Tag-Manifests-Allowed: empty = none at all (ours)", {"Tag_Manifests_Allowed": []}, {},
        ("tagmanifest-not-allowed",)),
    # -- fetch.txt
    Row("Allow-Fetch.txt: default true", {}, {"has_fetch": True, "files": {"fetch.txt": 9}}, ()),
    Row("Allow-Fetch.txt: false", {"fetch": False}, {"has_fetch": True, "files": {"fetch.txt": 9}},
        ("fetch-not-allowed",)),
    Row("Allow-Fetch.txt: false, none there", {"fetch": False}, {}, ()),
    Row("Fetch.txt-Required: default false", {"fetch": True}, {}, ()),
    Row("Fetch.txt-Required: true", {"fetch_required": True}, {}, ("fetch-missing",)),
    Row("Fetch.txt-Required: there", {"fetch_required": True}, {"has_fetch": True}, ()),
    # -- Data-Empty
    Row("Data-Empty: default false", {"Data_Empty": False}, {}, ()),
    Row("Data-Empty: a payload", {"Data_Empty": True}, {}, ("data-not-empty",)),
    Row("Data-Empty: one file without bytes", {"Data_Empty": True}, {"files": {"data/.keep": 0}}, ()),
    Row("Data-Empty: two files without bytes", {"Data_Empty": True},
        {"files": {"data/.keep": 0, "data/b": 0}}, ("data-not-empty",)),
    # -- serialisation
    Row("Serialization: optional, a folder", {}, {}, ()),
    Row("Serialization: optional, an archive", {}, {"serialisation": TAR}, ()),
    Row("Serialization: default optional", {"Serialization": ...}, {}, ()),
    Row("Serialization: required, a folder", {"Serialization": "required"}, {}, ("serialisation",)),
    Row("Serialization: required, an archive", {"Serialization": "required"}, {"serialisation": TAR}, ()),
    Row("Serialization: forbidden, an archive",
        {"Serialization": "forbidden", "Accept_Serialization": ...}, {"serialisation": TAR},
        ("serialisation",)),
    Row("Serialization: forbidden, Accept-Serialization has no meaning", {"Serialization": "forbidden"},
        {"serialisation": TAR}, ("serialisation",)),
    Row("Accept-Serialization: another kind", {}, {"serialisation": ZIP}, ("accept-serialisation",)),
    Row("Accept-Serialization: one of several", {"Accept_Serialization": [ZIP, TAR]},
        {"serialisation": ZIP}, ()),
    Row("Accept-Serialization: application/tar for tar (memory, common practice)",
        {"Accept_Serialization": ["application/tar"]}, {"serialisation": TAR}, ()),
    Row("Accept-Serialization: media types do not count case (RFC 6838 4.2)",
        {"Accept_Serialization": ["Application/X-Tar"]}, {"serialisation": TAR}, ()),
    # -- versions
    Row("Accept-BagIt-Version: another", {"Accept_BagIt_Version": ["0.97"]}, {}, ("bagit-version",)),
    Row("Accept-BagIt-Version: one of several", {"Accept_BagIt_Version": ["0.97", "1.0"]}, {}, ()),
    Row("Accept-BagIt-Version: 0.97 in a 0.97 bag", {"Accept_BagIt_Version": ["0.97"]}, {"version": "0.97"},
        ()),
    Row("Accept-BagIt-Version: nothing declared", {}, {"version": None}, ("bagit-version",)),
    # -- tag files
    Row("Tag-Files-Required", {"Tag_Files_Required": ["metadata/premis.xml"]}, {}, ("tag-file-missing",)),
    Row("Tag-Files-Required: there", {"Tag_Files_Required": ["metadata/premis.xml"]}, {"files": META}, ()),
    Row("Tag-Files-Required: bag-info.txt is there anyway", {"Tag_Files_Required": ["bag-info.txt"]}, {}, ()),
    Row("Tag-Files-Required: names in one normalisation (RFC 8493 6.1.1.3)",
        {"Tag_Files_Required": ["caf\u00e9.txt"]}, {"files": {"cafe\u0301.txt": 1}}, ()),
    Row("Tag-Files-Allowed: default * = all", {}, {"files": {"a/b/c.xml": 1}}, ()),
    Row("Tag-Files-Allowed: others", {"Tag_Files_Allowed": ["metadata/*"]}, {"files": {"notes.txt": 1}},
        ("tag-file-not-allowed",)),
    Row("Tag-Files-Allowed: * = zero or more characters", {"Tag_Files_Allowed": ["metadata/*.xml"]},
        {"files": {"metadata/.xml": 1, "metadata/premis.xml": 1}}, ()),
    Row("Tag-Files-Allowed: * also for / (ours; the default * allows all)",
        {"Tag_Files_Allowed": ["metadata/*"]}, {"files": {"metadata/x/y.xml": 1}}, ()),
    Row("Tag-Files-Allowed: a full path", {"Tag_Files_Allowed": ["metadata/premis.xml"]},
        {"files": META}, ()),
    Row("Tag-Files-Allowed: manifests, bag-info, bagit, fetch are not listed here",
        {"Tag_Files_Allowed": []}, {"has_fetch": True, "files": {"fetch.txt": 1}}, ()),
    Row("Tag-Files-Allowed: says nothing of payload", {"Tag_Files_Allowed": []}, {"files": NOTES}, ()),
    # -- payload files
    Row("Payload-Files-Required: a file", {"Payload_Files_Required": ["data/notes/label.txt"]}, {},
        ("payload-file-missing",)),
    Row("Payload-Files-Required: there", {"Payload_Files_Required": ["data/notes/label.txt"]},
        {"files": NOTES}, ()),
    Row("Payload-Files-Required: a folder ends with /", {"Payload_Files_Required": ["data/notes/"]}, {},
        ("payload-file-missing",)),
    Row("Payload-Files-Required: the folder is there", {"Payload_Files_Required": ["data/notes/"]},
        {"files": NOTES}, ()),
    Row("Payload-Files-Required: a file of that name is no folder",
        {"Payload_Files_Required": ["data/notes/"]}, {"files": {"data/notes": 3}}, ("payload-file-missing",)),
    Row("Payload-Files-Required: a folder is no file", {"Payload_Files_Required": ["data/notes"]},
        {"files": NOTES}, ("payload-file-missing",)),
    Row("Payload-Files-Allowed: default all", {}, {"files": {"data/x.exe": 1}}, ()),
    Row("Payload-Files-Allowed: others", {"Payload_Files_Allowed": ["data/*.wav"]}, {"files": NOTES},
        ("payload-file-not-allowed",)),
    Row("Payload-Files-Allowed: a folder ends with /*",
        {"Payload_Files_Allowed": ["data/*.wav", "data/notes/*"]}, {"files": NOTES}, ()),
    Row("Payload-Files-Allowed: case counts (ours)", {"Payload_Files_Allowed": ["data/*.wav"]},
        {"files": {"data/A.WAV": 1}}, ("payload-file-not-allowed",)),
    Row("Payload-Files-Allowed: each file is told", {"Payload_Files_Allowed": ["data/*.wav"]},
        {"files": {"data/a.exe": 1, "data/b.exe": 1}},
        ("payload-file-not-allowed", "payload-file-not-allowed")),
)  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.clause)
def test_clause(row: Row) -> None:
    asked = profile(**row.asked)
    assert asked.sound, asked.findings
    told = check_profile(asked, facts(**row.bag))
    assert tuple(f.rule.removeprefix("profile-") for f in told) == row.told
    for finding in told:
        assert finding.what and finding.where and finding.todo and finding.reference
        assert finding.severity == ("warning" if finding.rule == "profile-info-tag-empty" else "error")


def test_the_table_is_long_enough_and_names_no_clause_twice() -> None:
    assert len(ROWS) >= 60 and len({row.clause for row in ROWS}) == len(ROWS)


def test_everything_is_told_in_one_report_also_after_something_fatal() -> None:
    # BagIt Profiles 1.4.0, Introduction: processing may go on for a comprehensive report
    asked = profile(
        Accept_BagIt_Version=["0.97"], Manifests_Required=["md5"], Tag_Files_Required=["log.txt"],
        Payload_Files_Allowed=["data/*.flac"], Bag_Info={"Shelf": {"required": True}},
    )  # fmt: skip
    told = check_profile(asked, facts(serialisation=ZIP, named=False))
    assert [f.rule.removeprefix("profile-") for f in told] == [
        "accept-serialisation", "bagit-version", "identifier-missing", "info-tag-missing", "manifest-missing",
        "tag-file-missing", "payload-file-not-allowed",
    ]  # fmt: skip
    assert ["fatal" in f.what for f in told] == [True, True, False, False, False, False, False]


def test_what_the_bag_has_and_what_the_profile_asks_both_stand_in_the_finding() -> None:
    asked = profile(**bag_info(values=["Other Room", "Third Room"]))
    (told,) = check_profile(asked, facts(info=(ORG,)))
    assert "Grauwell Transfer Room" in told.what and "Other Room | Third Room" in told.what
    assert told.where == "bag-info.txt, Source-Organization" and told.position["path"] == "bag-info.txt"


def test_what_is_allowed_is_named_where_something_else_is_there() -> None:
    asked = profile(Payload_Files_Allowed=["data/*.wav"], Manifests_Allowed=["sha512"], Tag_Files_Allowed=[])
    bag = facts(files={"data/x.exe": 1, "odd.txt": 1}, payload_algorithms=("md5", "sha512"))
    manifest, tag, payload = check_profile(asked, bag)
    assert "manifest-md5.txt" in manifest.what and "sha512" in manifest.what
    assert "odd.txt" in tag.what and "nothing" in tag.what
    assert "data/x.exe" in payload.what and "data/*.wav" in payload.what
    assert payload.position["path"] == "data/x.exe"


def test_names_that_no_terminal_should_see_are_made_readable() -> None:
    asked = profile(Payload_Files_Allowed=["data/*.wav"])
    (told,) = check_profile(asked, facts(files={"data/\x1b[2Jx\udcff": 1}))
    assert "\x1b" not in told.what and told.position["path_base64"]
