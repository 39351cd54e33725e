"""What a client's requirements change about the making of a package, and the last look before the seal."""

from __future__ import annotations

from collections.abc import Sequence

from provpack.findings import Finding
from provpack.jobs.clientprofiles import ClientProfile, bag_findings
from provpack.jobs.deriveplan import CHANNEL_WORDS, Wanted
from provpack.jobs.loaded import LoadedTransfer
from provpack.jobs.signatures import Signer
from provpack.jobs.staging import Staging
from provpack.package import needrules
from provpack.package.bagprofile import BagFacts
from provpack.package.clientneeds import Json
from provpack.package.ownbag import SIGNATURE


def derivative_for(client: ClientProfile | None, record: Json, asked: Wanted | None) -> Wanted | None:
    """The derivative to make: what was asked for and what the client wants, in the client's container.

    Raises UsageProblem when the client wants the skew removed and nobody said which channel is late.
    """
    if client is None:
        return asked
    late = None if asked is None or asked.late_channel is None else CHANNEL_WORDS[asked.late_channel]
    theirs = client.wanted(record, late)
    if theirs is None:
        return asked
    kinds = theirs.kinds | (asked.kinds if asked is not None else frozenset())
    return Wanted(
        kinds=kinds,
        container=theirs.container,
        late_channel=theirs.late_channel if theirs.late_channel is not None or asked is None
        else asked.late_channel,
    )  # fmt: skip


def unsigned(client: ClientProfile | None, signer: Signer | None, where: str) -> list[Finding]:
    """The finding for a client who wants a signature where nobody is going to sign."""
    if client is None or client.needs is None or not client.needs.signature_required or signer is not None:
        return []
    what = f"{client.name} asks for signed packages, and no key was named."
    return [needrules.SIGNATURE_MISSING.found(what, where, todo="Wrap with --sign KEY.")]


def unmet_at_sealing(
    client: ClientProfile | None,
    name: str,
    staging: Staging,
    pairs: Sequence[tuple[str, str]],
    signer: Signer | None,
    transfer: LoadedTransfer,
) -> list[Finding]:
    """What the finished bag would not meet of the client's BagIt profile. pairs: of bag-info.txt.

    A profile that wants an archive is not held against the folder: the archive is made at delivery.
    """
    if client is None or client.bag is None:
        return []
    later = ("bagit.txt", "bag-info.txt", "READ-ME-FIRST.txt", *((SIGNATURE,) if signer else ()))
    manifests = [f"{kind}-{a}.txt" for kind in ("manifest", "tagmanifest") for a in staging.algorithms]
    wanted = client.bag.accept_serialisation
    facts = BagFacts(
        name=name,
        serialisation=wanted[0] if client.bag.serialisation == "required" and wanted else None,
        bag_info=tuple((label, value) for label, value in pairs if value),
        payload_algorithms=staging.algorithms,
        tag_algorithms=staging.algorithms,
        files={w.path: w.size for w in staging.files} | dict.fromkeys((*later, *manifests), 1),
    )
    return list(bag_findings(client, facts, transfer))
