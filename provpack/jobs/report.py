"""The report of a sealed package again: in a few sentences, and as a page drawn anew outside the package.

Read-only. The record and the measurements are held against the package's manifest, and nothing else is: the
sound is not read. A package whose record is not what was sealed is not reported on.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from provpack.edge.archiveplace import ArchivePlace, archive_kind
from provpack.edge.commit import explain
from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace, Place
from provpack.edge.reading import read_small
from provpack.edge.schemas import check_version
from provpack.errors import CouldNotCheck, InputProblem, PackageProblem, RecordProblem
from provpack.findings import Finding
from provpack.model.recordrules import judge_record
from provpack.package import layout
from provpack.package.bagpaths import readable
from provpack.package.bagtext import MAX_TAG_FILE, parse_declaration, parse_manifest
from provpack.package.summary import summarise

_LIMIT = 64 * 1024 * 1024
_MANIFESTS = ("manifest-sha512.txt", "manifest-sha256.txt")
Validate = Callable[[str, object], Iterable[tuple[str, str]]]
Render = Callable[..., str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """What a package says of itself. page: where its own page lies; None when it has none."""

    shown: str
    serialisation: str | None
    page: str | None
    record: Mapping[str, Any]
    measurements: Mapping[str, Any] | None
    findings: tuple[Finding, ...]

    @property
    def said(self) -> dict[str, list[str]]:
        """summary, listen and cautions, as package/summary.py words them."""
        counts = {name: sum(f.severity == name for f in self.findings) for name in ("error", "warning")}
        return summarise(self.record, counts)

    def as_json(self, written: Path | None) -> dict[str, Any]:
        """The shape of schemas/result-report.schema.json, without its head."""
        return {
            "outcome": "good",
            "package": self.shown,
            "serialisation": self.serialisation,
            "page": self.page,
            "written": readable(str(written)) if written is not None else None,
            "record_id": self.record["record_id"],
            "package_name": self.record["package_name"],
            "title": (self.record.get("item") or {}).get("title"),
            **self.said,
            "findings": [f.as_json() for f in self.findings],
        }


def read_sealed(package: Path, validate: Validate) -> Sealed:
    """Record and measurements of a package in a folder, a .tar or a .zip.

    validate: schema name, object -> (JSON pointer, message) pairs. Raises InputProblem when there is no
    package of ours, PackageProblem when the record is not what was sealed, CouldNotCheck, RecordProblem.
    """
    with closing(_place(package)) as place:
        listing = place.listing()
        files = {e.path for e in listing.entries if e.kind == "file"} if listing is not None else set()
        if layout.RECORD not in files:
            raise _no_package(package)
        digests = _sealed_digests(place, files)
        record = _document(place, layout.RECORD, digests, "transfer-record", validate)
        measurements = None
        if layout.MEASUREMENTS in files:
            measurements = _document(place, layout.MEASUREMENTS, digests, "measurements", validate)
        page = None
        if layout.REPORT in files:
            page = layout.REPORT if place.serialisation else readable(str(package / layout.REPORT))
        return Sealed(
            shown=readable(str(package)),
            serialisation=place.serialisation,
            page=page,
            record=record,
            measurements=measurements,
            findings=judge_record(record),
        )


def _place(package: Path) -> Place:
    try:
        if package.is_dir():
            return FolderPlace(package)
        kind = archive_kind(package)
        if kind in ("tar", "zip"):
            return ArchivePlace(package, kind)
    except FileNotFoundError:
        raise InputProblem(
            "package-missing",
            "There is no such package.",
            where=readable(str(package)),
            todo="Mend the path.",
        ) from None
    except (OSError, ValueError) as err:
        if isinstance(err, OSError):
            raise explain(err, readable(str(package)), "read the package") from None
        raise _no_package(package) from None
    raise _no_package(package)


def _no_package(package: Path) -> InputProblem:
    return InputProblem(
        "no-package",
        f"This is no package of ours: it has no {layout.RECORD}.",
        where=readable(str(package)),
        todo="Name the folder of one package, or its .tar or .zip archive.",
    )


def _sealed_digests(place: Place, files: set[str]) -> dict[str, tuple[str, str]]:
    """path -> (algorithm, digest), from the strongest manifest there is."""
    name = next((m for m in _MANIFESTS if m in files), None)
    if name is None:
        raise CouldNotCheck(
            "no-manifest",
            "The package has no manifest, so nothing says whether its record is the one that was sealed.",
            where=readable(place.shown),
            todo="Look for another copy; `provpack verify` tells what else is missing.",
        )
    declaration = parse_declaration(
        read_small(place, "bagit.txt", MAX_TAG_FILE) if "bagit.txt" in files else b""
    )
    manifest = parse_manifest(read_small(place, name, MAX_TAG_FILE), name, declaration)
    return {line.path: (manifest.algorithm, line.digest) for line in manifest.lines}


def _document(
    place: Place, path: str, digests: Mapping[str, tuple[str, str]], schema: str, validate: Validate
) -> dict[str, Any]:
    """A JSON document of the package, as it was sealed and valid."""
    data = read_small(place, path, _LIMIT)
    algorithm, wanted = digests.get(path, ("", ""))
    if not wanted or digest_bytes(data, (algorithm,))[algorithm] != wanted:
        raise PackageProblem(
            "not-as-sealed",
            f"{path} is not what the manifest of the package says, so no report is made from it.",
            where=readable(place.shown),
            todo="Run `provpack verify` on the package, and look whether another copy is intact.",
        )
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        document = None
    if not isinstance(document, dict):
        raise RecordProblem(
            f"{schema}-unreadable", "The document holds no JSON object.", where=path,
            todo="Ask whoever made the package; it was sealed like this.",
        )  # fmt: skip
    check_version(document, schema)
    for pointer, message in validate(schema, document):
        raise RecordProblem(
            f"{schema}-invalid", f"{pointer or '/'}: {message}", where=path,
            todo="Ask whoever made the package; it was sealed like this.",
        )  # fmt: skip
    return document


def draw_anew(sealed: Sealed, render: Render, at: datetime) -> str:
    """The page by today's program; render: report/html.py, render_package."""
    return render(
        sealed.record,
        measurements=sealed.measurements,
        findings=sealed.findings,
        files=sealed.record.get("files") or [],
        anew=f"{at:%Y-%m-%d}",
    )
