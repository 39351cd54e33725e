"""Close a package: READ-ME-FIRST, bag declaration, manifests, and the signature over the tag manifest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from provpack import __version__
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.measurements import TOOL
from provpack.jobs.signatures import Signer
from provpack.jobs.staging import PAYLOAD, Staging
from provpack.package import layout as places
from provpack.package.bagwrite import BAGIT_TXT, build_bag_info
from provpack.package.ownbag import SIGNATURE
from provpack.package.owninfo import own_bag_info, with_clients
from provpack.package.readfirst import build_readfirst
from provpack.package.sshsig import NAMESPACE_PACKAGE

Pairs = Sequence[tuple[str, str]]


def bag_info_pairs(
    record: Mapping[str, Any], staging: Staging, at: datetime, client: ClientProfile | None
) -> Pairs:
    """Labels and values of bag-info.txt, in order: our own, then those a client asks for."""
    payload = [w for w in staging.files if w.path.startswith(PAYLOAD)]
    own = own_bag_info(
        record,
        bagging_date=at.date().isoformat(),
        payload_bytes=sum(w.size for w in payload),
        payload_files=len(payload),
        software=f"{TOOL} {__version__}",
    )
    return with_clients(own, client.bag_info(record) if client is not None else ())


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
    signed_by = None if signer is None else (signer.principal, signer.fingerprint)
    text = build_readfirst(
        record, files=record["files"], audio=audio, signed_by=signed_by, algorithms=staging.algorithms
    )
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
