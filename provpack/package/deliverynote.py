"""The delivery note and where everything lies in a delivery. Pure: values in, values out.

A note names every package by the SHA-512 of its tag manifest, which covers the manifests, which cover every
file (RFC 8493 section 2.2.1): whoever holds the note can tell whether a package is the one handed over. It
names every other paper of the delivery too, so that its signature covers what people read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from provpack.package import layout
from provpack.package.names import safe_file_name
from provpack.package.readfirst_words import one_line, section

Json = Mapping[str, Any]

NOTE = "delivery-note.json"
NOTE_SIGNATURE = "delivery-note.json.sig"
NOTE_PAGE = "delivery-note.html"
INDEX = "index.html"
CHECKSUMS = "checksums-sha512.txt"
SIGNERS = "allowed_signers"
PACKAGES = "packages"
REPORTS = "reports"
TAG_MANIFEST = "tagmanifest-sha512.txt"
ENDING = {"folder": "", "tar": ".tar", "zip": ".zip"}
MEDIA_TYPE = {"folder": None, "tar": "application/x-tar", "zip": "application/zip"}

_LINE = re.compile(r"([0-9a-f]{128})  (\S.*)\Z")
_NAME = re.compile(r"[a-z0-9_-][a-z0-9_.-]*\Z")
_PLAIN = re.compile(r"[A-Za-z0-9_.-]+(?:/[A-Za-z0-9_.-]+)*\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """One package as it went into the delivery.

    size, files: bytes and number of its files, unpacked. sha512: of the archive, None for a folder. identity:
    SHA-512 of its tag manifest. signature: state, principal, fingerprint. findings: counts by severity.
    """

    name: str
    record: Json
    size: int
    files: int
    sha512: str | None
    identity: str
    signature: Json
    findings: Json
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What a note says beside its packages; see schemas/delivery-note.schema.json."""

    delivery_id: str
    delivery_name: str
    made_by: Json
    client: str
    form: str
    contact: str | None = None
    client_profile: Json | None = None
    ledger: Json | None = None
    signer: Json | None = None
    note: str | None = None


def delivery_name(client: str, date: str) -> str:
    """The name of a delivery when nobody gives one: the client and the day, in safe letters."""
    return f"delivery_{safe_file_name(client).replace('.', '_')[:60]}_{date}"


def is_safe_name(name: str) -> bool:
    """Whether a name is one that every system and every tool takes as it is."""
    return len(name) <= 255 and _NAME.match(name) is not None


def place_of(name: str, form: str) -> str:
    """Where a package lies in the delivery."""
    return f"{PACKAGES}/{name}{ENDING[form]}"


def report_of(name: str, form: str) -> str:
    """Where the page about a package lies in the delivery: inside a folder, beside an archive."""
    return f"{PACKAGES}/{name}/{layout.REPORT}" if form == "folder" else f"{REPORTS}/{name}.html"


def organisation(records: Iterable[Json]) -> str | None:
    """Who made the transfers, as the records say; several are all named."""
    named = {one_line(n) for r in records if (n := section(r, "people").get("transfer_organisation"))}
    return "; ".join(sorted(named)) or None


def build_note(heading: Heading, handed: Sequence[Handed]) -> dict[str, Any]:
    """The note without its papers (with_papers() adds them); schemas/delivery-note.schema.json."""
    packages = [_entry(n, one, heading.form) for n, one in enumerate(handed, 1)]
    return {
        "schema_version": "1.0.0",
        "delivery_id": heading.delivery_id,
        "delivery_name": heading.delivery_name,
        "made_by": dict(heading.made_by),
        "from": {"organisation": organisation(h.record for h in handed), "contact": heading.contact},
        "to": {"client": heading.client},
        "form": heading.form,
        "client_profile": heading.client_profile,
        "packages": packages,
        "papers": [],
        "totals": {
            "packages": len(packages),
            "bytes": sum(p["bytes"] for p in packages),
            "files": sum(p["files"] for p in packages),
            "duration_s": round(sum(p["duration_s"] or 0 for p in packages), 6),
        },
        "ledger": heading.ledger,
        "signer": heading.signer,
        "note": heading.note,
    }


def with_papers(note: Json, papers: Iterable[tuple[str, int, str]]) -> dict[str, Any]:
    """The note with every paper that lies beside it: (path in the delivery, bytes, SHA-512).

    The pages show what the note says, so they are made first and must not show the note's own digest.
    """
    named = [{"path": path, "bytes": size, "sha512": sha512} for path, size, sha512 in sorted(papers)]
    return {**note, "papers": named}


def _entry(n: int, one: Handed, form: str) -> dict[str, Any]:
    record = one.record
    item, signal = section(record, "item"), section(record, "signal")
    rate = signal.get("sampling_frequency")
    return {
        "n": n,
        "name": one.name,
        "path": place_of(one.name, form),
        "bytes": one.size,
        "files": one.files,
        "sha512": one.sha512,
        "tagmanifest_sha512": one.identity,
        "record_id": record["record_id"],
        "job_id": record["job_id"],
        "transfer_id": record["transfer_id"],
        "client_item_id": item.get("client_item_id"),
        "carrier_id": section(record, "carrier").get("carrier_id"),
        "title": item.get("title"),
        "outcome": record["outcome"],
        "duration_s": section(record, "measured").get("duration_s"),
        "emphasis": signal.get("file_emphasis"),
        "rate": dict(rate) if isinstance(rate, Mapping) else None,
        "signature": dict(one.signature),
        "findings": dict(one.findings),
        "report": report_of(one.name, form),
        "remarks": list(one.remarks),
    }


def parse_checksums(data: bytes) -> tuple[dict[str, str], list[str]]:
    """(path -> SHA-512, what is wrong) of a list in the form of coreutils (sha512sum(1)), as we write it.

    Only paths that stay inside the folder and need no escaping are taken; every other line is told.
    """
    found: dict[str, str] = {}
    wrong: list[str] = []
    for number, raw in enumerate(data.split(b"\n"), 1):
        text = raw.decode("utf-8", "replace")
        if not text:
            continue
        match = _LINE.match(text)
        why = ""
        if match is None:
            why = "is not a checksum in lower case, two blanks and a path"
        elif not _PLAIN.match(match[2]) or {".", ".."} & set(match[2].split("/")):
            why = "has a path that is not plain"
        elif match[2] in found:
            why = "lists a file a second time"
        if why or match is None:
            wrong.append(f"line {number} {why}")
            if len(wrong) >= 20:
                wrong.append("reading stopped there")
                break
        else:
            found[match[2]] = match[1]
    return found, wrong
