"""What is asked of a package before it is handed over: whose signature it bears, what the client requires."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from provpack.errors import UsageProblem
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.clientexamine import profile_examiner
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.delivered import Wishes
from provpack.jobs.deliverycopy import FORMS, Form
from provpack.jobs.deliverylook import Looked
from provpack.jobs.signatures import Signer, signature_examiner
from provpack.package import signrules
from provpack.package.bagpaths import readable
from provpack.package.bagprofile_values import same_type
from provpack.package.deliverynote import MEDIA_TYPE
from provpack.package.ownbag import SIGNATURE
from provpack.package.signers import Signers, parse_signers, signer_line
from provpack.package.signwords import STATES
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
    # Whose key signed is the receiver's question; the state stands on the note, no list can answer it here.
    findings = [f for f in signed.findings if f.rule != signrules.UNVOUCHED.id]
    unmet = False
    profile = wishes.profile
    if profile is not None:
        told = profile_examiner(profile)(view)
        findings += told.findings
        words = {"not_met": "are not met", "could_not_check": "could not be checked"}.get(told.demands, "")
        if not words and _must_be_signed(profile) and signed.state not in _ENOUGH:
            words = f"ask for a signature: {STATES.get(signed.state, signed.state)}"
        if words:
            unmet = True
            what = f"The requirements '{profile.name}' {words}."
            findings.append(rules.DEMANDS_NOT_MET.found(what, readable(one.name)))
    return Asked(signature=signature, findings=tuple(findings), unmet=unmet)


def _must_be_signed(profile: ClientProfile) -> bool:
    return profile.needs is not None and profile.needs.signature_required


def check_form_is_taken(profile: ClientProfile | None, form: Form) -> None:
    """Raises UsageProblem, once for the delivery, when the client takes packages in other forms only."""
    if profile is None:
        return
    taken = [kind for kind in FORMS if _takes(profile, kind)]
    if form in taken:
        return
    named = " or ".join(f"--as {kind}" for kind in taken)
    raise UsageProblem(
        "form-not-taken",
        f"The requirements '{profile.name}' allow no packages as {form}; they allow: "
        f"{', '.join(taken) or 'no form that can be made here'}.",
        where="--as",
        todo=f"Deliver with {named}." if taken else "Ask the client: the requirements contradict themselves.",
    )


def _takes(profile: ClientProfile, form: Form) -> bool:
    needs, bag, kind = profile.needs, profile.bag, MEDIA_TYPE[form]
    if needs is not None and needs.form and form not in needs.form:
        return False
    if bag is None:
        return True
    if kind is None:
        return bag.serialisation != "required"
    accepted = bag.accept_serialisation
    return bag.serialisation != "forbidden" and (not accepted or any(same_type(kind, k) for k in accepted))


def requirements_not_named(wanted: Sequence[Looked], wishes: Wishes) -> list[Finding]:
    """One note when records name requirements they were wrapped to, and the delivery was given none."""
    if wishes.profile is not None:
        return []
    names = {
        readable(str(made_to["name"])[:200])
        for one in wanted
        if isinstance(made_to := (one.record or {}).get("client_profile"), Mapping) and made_to.get("name")
    }
    if not names:
        return []
    what = (
        f"Wrapped to the requirements {', '.join(sorted(names))}; none were named here, so the form of the "
        "delivery was not checked."
    )
    return [rules.FORM_UNASKED.found(what, "--client-profile")]
