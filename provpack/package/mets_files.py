"""The file section of METS: every file of the package, grouped by use.

A location is written relative to the METS document itself (RFC 3986, 5.1.3: the base is the URI the document
was read from), so it holds wherever the package lies: `../master/x.wav`, `record.json`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from provpack.package import layout
from provpack.package.mets_admin import Admin
from provpack.package.mets_terms import HREF, el, moment
from provpack.package.premis_view import Json, View
from provpack.xmldoc import Node

# Order of the groups, and which roles of the record go where; the role itself stands at each document.
GROUPS = ("master", "derivative", "pass", "document", "metadata", "report")
_DOCUMENTS = ("photo", "label_scan", "document", "log", "sidecar")
_OURS = frozenset({"master", "derivative"})
"""Roles of files that were written while the package was made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackedFile:
    """A payload file that the record does not list, for example the record itself.

    path: from the top of the bag. bytes: its size. sha512: lower-case hex.
    """

    path: str
    bytes: int
    sha512: str
    media_type: str


def file_id(name: str) -> str:
    """ID of a file by its object name, e.g. `master-1`."""
    return f"file-{name}"


def location(path: str) -> str:
    """A path in the package as a reference relative to mets.xml."""
    own = layout.METS.rpartition("/")[0].split("/")
    parts = path.split("/")
    common = 0
    while common < min(len(own), len(parts) - 1) and own[common] == parts[common]:
        common += 1
    return "/".join([".."] * (len(own) - common) + [quote(part, safe="~") for part in parts[common:]])


def _group_of(role: str, path: str) -> str:
    if role in _DOCUMENTS:
        return "document"
    if role in GROUPS:
        return role
    if path.startswith(layout.REPORT.rpartition("/")[0] + "/"):
        return "report"
    return "metadata" if path.startswith(layout.METS.rpartition("/")[0] + "/") else "document"


def _listed(view: View, name: str, file: Json, admin: Admin) -> Node:
    role = str(file.get("role"))
    strong = "SHA-512" if file.get("sha512") else "SHA-256"
    digest = file.get("sha512") or file.get("sha256")
    return el(
        "file",
        {
            "ID": file_id(name),
            "USE": role if role in _DOCUMENTS else None,
            "MIMETYPE": file.get("media_type"),
            "SIZE": file.get("bytes"),
            "CREATED": moment(view.made_at) if role in _OURS else None,
            "CHECKSUM": digest,
            "CHECKSUMTYPE": strong if digest else None,
            "ADMID": admin.of_file(name),
        },
        _flocat(str(file["path"])),
    )


def _other(view: View, number: int, file: PackedFile) -> Node:
    return el(
        "file",
        {
            "ID": file_id(f"other-{number}"),
            "MIMETYPE": file.media_type,
            "SIZE": file.bytes,
            "CREATED": moment(view.made_at),
            "CHECKSUM": file.sha512,
            "CHECKSUMTYPE": "SHA-512",
        },
        _flocat(file.path),
    )


def _flocat(path: str) -> Node:
    return el("FLocat", {"LOCTYPE": "URL", HREF: location(path)})


def build_files(view: View, admin: Admin, others: Sequence[PackedFile]) -> Node | None:
    """`fileSec`; None when there is no file at all, since it may not be empty (mets.xsd).

    A path in `others` that the record lists too is written once, as the record has it.
    """
    groups: dict[str, list[Node]] = {use: [] for use in GROUPS}
    for name, file in view.numbered:
        role, path = str(file.get("role")), str(file["path"])
        groups[_group_of(role, path)].append(_listed(view, name, file, admin))
    known = {str(file["path"]) for _, file in view.numbered}
    for number, packed in enumerate(sorted(others, key=lambda o: o.path), start=1):
        if packed.path not in known:
            groups[_group_of("", packed.path)].append(_other(view, number, packed))
    filled = [el("fileGrp", {"USE": use}, *files) for use, files in groups.items() if files]
    return el("fileSec", None, *filled) if filled else None
