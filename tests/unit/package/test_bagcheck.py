"""Completeness and conformance from values alone: RFC 8493 section 3, and the 0.97 draft where it differs."""

from __future__ import annotations

import pytest

from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagcheck import BagText, Expected, Task, check_fixity, check_structure, judge
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagpaths import Entry, Kind, Listing
from provpack.package.bagtext import BAGIT_TXT, parse_declaration, parse_fetch, parse_manifest

SHA, MD5 = "ab" * 32, "cd" * 16


def text(version: str = "1.0", info: str = "", fetch: str = "", **manifests: str) -> BagText:
    """BagText from `manifest_sha256="data/a data/b"`: names with blanks are written with `+`."""
    declaration = parse_declaration(BAGIT_TXT.replace(b"1.0", version.encode()))
    parsed = []
    for name, paths in manifests.items():
        digest = MD5 if name.endswith("md5") else SHA
        lines = "".join(f"{digest}  {path.replace('+', ' ')}\n" for path in paths.split())
        parsed.append(parse_manifest(lines.encode(), name.replace("_", "-") + ".txt", declaration))
    return BagText(
        declaration=declaration,
        manifests=tuple(parsed),
        info=parse_bag_info(info.encode(), declaration) if info else None,
        fetch=parse_fetch(fetch.encode(), declaration) if fetch else None,
    )


def disk(*paths: str, complete: bool = True, **odd: Kind) -> Listing:
    """A listing: `data/a` is a file of 5 bytes, `data/x/` a folder; odd kinds by keyword (`__` is `/`)."""
    entries = [Entry(path="data", kind="directory")] if not any(p.startswith("-") for p in paths) else []
    for path in paths:
        if path.endswith("/"):
            entries.append(Entry(path=path[:-1], kind="directory"))
        elif path != "-":
            entries.append(Entry(path=path, kind="file", size=5))
    entries += [Entry(path=k.replace("__", "/"), kind=v, problem="why") for k, v in odd.items()]
    return Listing(entries=tuple(sorted(entries, key=lambda e: e.path)), complete=complete)


def found(bag: BagText, listing: Listing) -> set[tuple[str, str]]:
    structure = check_structure(bag, listing)
    return {(f.rule.removeprefix("bag-"), f.severity) for f in structure.findings}


E = "error"
W = "warning"
CASES = [
    ("complete", text(manifest_sha256="data/a"), disk("data/a"), set()),
    ("no manifest", text(), disk("data/a"), {("payload-manifest-missing", E)}),
    ("no payload folder", text(manifest_sha256=""), disk("-"), {("payload-folder-missing", E)}),
    ("missing", text(manifest_sha256="data/a data/b"), disk("data/a"), {("file-missing", E)}),
    ("unlisted", text(manifest_sha256="data/a"), disk("data/a", "data/b"), {("payload-unlisted", E)}),
    (
        "not in every manifest",
        text(manifest_sha256="data/a data/b", manifest_sha512="data/a"),
        disk("data/a", "data/b"),
        {("not-in-every-manifest", E)},
    ),
    (
        "missing, and not in every manifest",
        text(manifest_sha256="data/a data/b", manifest_sha512="data/a"),
        disk("data/a"),
        {("file-missing", E), ("not-in-every-manifest", E)},
    ),
    (
        "0.97: missing, and in one manifest only",
        text("0.97", manifest_sha256="data/a data/b", manifest_sha512="data/a"),
        disk("data/a"),
        {("file-missing", E)},
    ),
    (
        "0.97: in one manifest is enough",
        text("0.97", manifest_sha256="data/a", manifest_sha512="data/b"),
        disk("data/a", "data/b"),
        set(),
    ),
    ("weak", text(manifest_md5="data/a"), disk("data/a"), {("weak-algorithm", W)}),
    ("not only weak", text(manifest_md5="data/a", manifest_sha256="data/a"), disk("data/a"), set()),
    (
        "folder",
        text(manifest_sha256="data/x"),
        disk("data/x/", "data/x/y"),
        {("lists-folder", E), ("payload-unlisted", E)},
    ),
    ("empty folder", text(manifest_sha256=""), disk("data/x/"), {("empty-folder", W)}),
    (
        "0.97 encoded line end",
        text("0.97", manifest_sha256="data/a%0Ab"),
        disk("data/a\nb"),
        {("name-not-portable", W)},
    ),
    ("0.97 literal percent", text("0.97", manifest_sha256="data/a%0Ab"), disk("data/a%0Ab"), set()),
    (
        "other normal form",
        text(manifest_sha256="data/e\u0301"),
        disk("data/é"),
        {("unicode-normalisation", W)},
    ),
    (
        "both normal forms",
        text(manifest_sha256="data/e\u0301 data/é"),
        disk("data/é", "data/e\u0301"),
        {("name-collision", W)},
    ),
    ("link", text(manifest_sha256="data/a"), disk(data__a="symlink"), {("link", E)}),
    ("unlisted link", text(manifest_sha256=""), disk(data__a="symlink"), {("link", E)}),
    (
        "link among the tag files",
        text(manifest_sha256=""),
        disk(notes="symlink"),
        {("link-passed-over", "note")},
    ),
    ("special file", text(manifest_sha256=""), disk(data__a="other"), {("not-a-regular-file", E)}),
    ("unreadable folder", text(manifest_sha256="data/x/a"), disk(data__x="unreadable"), {("unreadable", E)}),
    ("not all seen", text(manifest_sha256="data/a"), disk(complete=False), {("too-large-to-read", E)}),
    ("system file", text(manifest_sha256="data/.DS_Store"), disk("data/.DS_Store"), {("system-file", W)}),
    (
        "tag manifest omits a payload manifest",
        text(manifest_sha256="", tagmanifest_sha256="bagit.txt"),
        disk("bagit.txt"),
        {("tag-manifest-omits-manifest", E)},
    ),
    (
        "0.97 may omit it",
        text("0.97", manifest_sha256="", tagmanifest_sha256="bagit.txt"),
        disk("bagit.txt"),
        set(),
    ),
    (
        "tag manifest lists payload and tag manifest",
        text(manifest_sha256="data/a", tagmanifest_sha256="manifest-sha256.txt data/a tagmanifest-md5.txt"),
        disk("data/a", "manifest-sha256.txt", "tagmanifest-md5.txt"),
        {("tag-manifest-lists-payload", E), ("tag-manifest-lists-itself", E)},
    ),
    (
        "tag manifests differ in set and algorithm",
        text(
            manifest_sha256="",
            tagmanifest_sha256="manifest-sha256.txt",
            tagmanifest_md5="manifest-sha256.txt bagit.txt",
        ),
        disk("manifest-sha256.txt", "bagit.txt"),
        {("tag-manifests-differ", W), ("tag-manifest-algorithms", W)},
    ),
    (
        "unlisted tag file",
        text(manifest_sha256="", tagmanifest_sha256="manifest-sha256.txt"),
        disk("manifest-sha256.txt", "notes.txt"),
        {("tag-file-unlisted", "note")},
    ),
    (
        "not fetched",
        text(fetch="https://host.example/a 5 data/a\n", manifest_sha256="data/a"),
        disk(),
        {("file-not-fetched", E), ("has-fetch", "note")},
    ),
    (
        "fetched with another length, and one in no manifest",
        text(fetch="https://h.example/a 6 data/a\nhttps://h.example/b - data/b\n", manifest_sha256="data/a"),
        disk("data/a"),
        {("fetch-length", E), ("has-fetch", "note"), ("fetch-not-in-manifest", E)},
    ),
    (
        "data is a file",
        text(manifest_sha256=""),
        disk("-", data="other"),
        {("payload-folder-missing", E), ("not-a-regular-file", E)},
    ),
    ("oxum", text(info="Payload-Oxum: 5.1\n", manifest_sha256="data/a"), disk("data/a"), set()),
    (
        "wrong oxum",
        text(info="Payload-Oxum: 5.2\n", manifest_sha256="data/a"),
        disk("data/a"),
        {("oxum-mismatch", E)},
    ),
    (
        "oxum says nothing where a folder could not be read",
        text(info="Payload-Oxum: 5.1\n", manifest_sha256="data/x/a"),
        disk(data__x="unreadable"),
        {("unreadable", E)},
    ),
]


@pytest.mark.parametrize(("name", "bag", "listing", "expected"), CASES, ids=[case[0] for case in CASES])
def test_structure(name: str, bag: BagText, listing: Listing, expected: set[tuple[str, str]]) -> None:
    assert found(bag, listing) == expected


def test_an_unread_manifest_is_no_missing_manifest() -> None:
    bag = BagText(declaration=parse_declaration(BAGIT_TXT), unread=frozenset({"manifest-sha512.txt"}))
    assert found(bag, disk("data/a", "manifest-sha512.txt")) == set()


def test_tasks_gather_what_every_manifest_says() -> None:
    bag = text(
        manifest_sha256="data/a",
        manifest_md5="data/a",
        tagmanifest_sha256="manifest-sha256.txt manifest-md5.txt",
    )
    structure = check_structure(bag, disk("data/a", "manifest-sha256.txt", "manifest-md5.txt"))
    assert [t.path for t in structure.payload] == ["data/a"]
    assert [e.algorithm for e in structure.payload[0].expected] == ["sha256", "md5"]
    assert [t.path for t in structure.tags] == ["manifest-md5.txt", "manifest-sha256.txt"]
    assert (structure.payload_files, structure.payload_bytes) == (1, 5)


def test_fixity() -> None:
    good = Expected(algorithm="sha256", digest=SHA, manifest="manifest-sha256.txt", line=3)
    task = Task(path="data/a", size=5, expected=(good,))
    assert check_fixity(task, {"sha256": SHA}) == ()
    assert check_fixity(task, {}) == ()
    (finding,) = check_fixity(task, {"sha256": "00"})
    assert finding.rule == rules.DIGEST_MISMATCH.id and finding.where == "manifest-sha256.txt, line 3"
    assert finding.position == {"path": "data/a"}


def test_judging() -> None:
    def one(rule: str, severity: str = "error") -> Finding:
        return Finding(rule=rule, severity=severity, what="", where="", todo="")  # type: ignore[arg-type]

    bad, gone, unknown = one(rules.DIGEST_MISMATCH.id), one(rules.FILE_MISSING.id), one(rules.UNREADABLE.id)
    assert judge([]) == judge([one(rules.DIGEST_MISMATCH.id, "warning")]) == "good"
    assert judge([unknown]) == "could_not_check"
    assert judge([unknown, gone]) == "missing"
    assert judge([unknown, gone, bad]) == "bad"


def test_the_rule_table() -> None:
    ids = [rule.id for rule in rules.RULES]
    assert len(set(ids)) == len(ids)
    assert all(i.startswith("bag-") and i == i.lower() and "_" not in i for i in ids)
    assert all(rule.todo and rule.title for rule in rules.RULES)
    known = set(ids)
    assert known >= rules.COULD_NOT_CHECK and known >= rules.MISSING


def test_a_folder_that_could_not_be_listed_is_named() -> None:
    bag = text(manifest_sha256="data/a")
    entries = (
        Entry(path="", kind="unreadable", problem="no permission"),
        Entry(path="data/b", kind="unreadable", problem="gone"),
    )
    said = {f.what for f in check_structure(bag, Listing(entries=entries)).findings}
    assert {"'The folder' cannot be read: no permission.", "'data/b' cannot be read: gone."} <= said
