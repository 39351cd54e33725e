"""What is asked of a package before it is handed over: whose signature it bears, what the client requires."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.clientexamine import profile_examiner
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.delivered import Wishes
from provpack.jobs.deliverylook import Looked
from provpack.jobs.signatures import Signer, signature_examiner
from provpack.package.bagpaths import readable
from provpack.package.deliverynote import MEDIA_TYPE
from provpack.package.ownbag import SIGNATURE
from provpack.package.signers import Signers, parse_signers, signer_line
from provpack.package.sshsig import NAMESPACE_DELIVERY, NAMESPACE_PACKAGE

_ENOUGH = ("valid", "unvouched")
"""States of a signature that do for the sender: it fits; whose key it is the sender knows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """signature: state, principal, fingerprint. unmet: a demand of the client is not met."""

    signature: Mapping[str, Any]
    findings: tuple[Finding, ...] = ()
    unmet: bool = False


def own_signers(signer: Signer) -> str:
    """The list of signers that goes with a delivery: the one key it was signed with."""
    return signer_line(signer.principal, signer.public_line, (NAMESPACE_PACKAGE, NAMESPACE_DELIVERY)) + "\n"


def ask(one: Looked, wishes: Wishes) -> Asked:
    """Ask a package for its signature and for what the client requires; all failures, not the first one."""
    view = one.view(MEDIA_TYPE[wishes.form])
    signers: Signers | None = None
    if wishes.signer is not None and SIGNATURE in view.files:
        signers = parse_signers(own_signers(wishes.signer).encode(), "the key given with --sign")
    signed = signature_examiner(signers, required=False)(view)
    signature = {k: signed.facts.get(k) for k in ("state", "principal", "fingerprint")}
    findings, unmet = list(signed.findings), False
    profile = wishes.profile
    if profile is not None:
        told = profile_examiner(profile)(view)
        findings += told.findings
        words = {"not_met": "are not met", "could_not_check": "could not be checked"}.get(told.demands, "")
        if not words and _must_be_signed(profile) and signed.state not in _ENOUGH:
            words = f"ask for a signature, and the one there is {signed.state.replace('_', ' ')}"
        if words:
            unmet = True
            what = f"The requirements '{profile.name}' {words}."
            findings.append(rules.DEMANDS_NOT_MET.found(what, readable(one.name)))
    return Asked(signature=signature, findings=tuple(findings), unmet=unmet)


def _must_be_signed(profile: ClientProfile) -> bool:
    return profile.needs is not None and profile.needs.signature_required
