"""Close a package: READ-ME-FIRST, bag declaration, manifests, and the signature over the tag manifest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from provpack import __version__
from provpack.jobs.measurements import TOOL
from provpack.jobs.staging import PAYLOAD, Staging
from provpack.jobs.wrapped import Signer
from provpack.package import layout as places
from provpack.package.bagwrite import BAGIT_TXT, build_bag_info
from provpack.package.describe import name_of
from provpack.package.ownbag import SIGNATURE
from provpack.package.readfirst import build_readfirst

NAMESPACE_PACKAGE = "provpack-package"
Pairs = Sequence[tuple[str, str]]


def bag_info_pairs(record: Mapping[str, Any], staging: Staging, at: datetime, extra: Pairs) -> Pairs:
    """Labels and values of bag-info.txt, in order; extra: those a client asks for, at the end.

    A label that may stand once only, and that the client fills in otherwise, is the client's.
    """
    payload = [w for w in staging.files if w.path.startswith(PAYLOAD)]
    size = sum(w.size for w in payload)
    people, item = record["people"], record["item"]
    own = (
        ("Source-Organization", name_of(people.get("transfer_organisation"))),
        ("External-Description", str(item.get("title") or "")),
        ("External-Identifier", f"urn:uuid:{record['record_id']}"),
        ("Bagging-Date", at.date().isoformat()),
        ("Bag-Size", human_size(size)),
        ("Payload-Oxum", f"{size}.{len(payload)}"),
        ("Bag-Group-Identifier", str(record["job_id"])),
        ("Internal-Sender-Identifier", str(record["transfer_id"])),
        ("Bag-Software-Agent", f"{TOOL} {__version__}"),
    )
    theirs = {label.casefold() for label, _ in extra}
    kept = tuple((k, v) for k, v in own if k.casefold() not in theirs or k == "External-Identifier")
    return (*kept, *extra)


def close_bag(
    staging: Staging,
    record: Mapping[str, Any],
    pairs: Pairs,
    *,
    audio: Mapping[str, Any] | None,
    signer: Signer | None,
) -> str:
    """Write what makes the staged files a bag; returns the SHA-512 of tagmanifest-sha512.txt.

    audio: content of block-digests.json. The signature is written last and stands in no manifest.
    """
    text = build_readfirst(record, files=record["files"], audio=audio)
    staging.add(places.READ_FIRST, text.encode("utf-8"))
    staging.add("bagit.txt", BAGIT_TXT)
    staging.add("bag-info.txt", build_bag_info(pairs))
    staging.add_manifests("manifest", lambda p: p.startswith(PAYLOAD))
    manifests = staging.add_manifests(
        "tagmanifest", lambda p: not p.startswith(PAYLOAD) and not p.startswith("tagmanifest-")
    )
    sealed = "tagmanifest-sha512.txt"
    if signer is not None:
        staging.add(SIGNATURE, signer.sign(manifests[sealed], NAMESPACE_PACKAGE))
    return next(w.digests["sha512"] for w in staging.files if w.path == sealed)


def human_size(size: int) -> str:
    """Bytes in the largest unit that leaves a figure of at least 1 (RFC 8493 Bag-Size is for people)."""
    figure, units = float(size), ["B", "KB", "MB", "GB", "TB"]
    while figure >= 1000 and len(units) > 1:
        figure /= 1000
        units.pop(0)
    return f"{figure:.1f} {units[0]}" if units[0] != "B" else f"{size} B"
