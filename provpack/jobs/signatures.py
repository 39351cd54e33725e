"""Judge a signature: does it fit, whose is it, and was the key trusted at the time of sealing.

The time of sealing is the package's own word: a signature holds none. So a key that is trusted for that
time and not for now gives the state `valid` with the finding `sig-expired-since`, and never meets a demand:
whoever kept the key could have written that time. `expired` is a key not trusted for the time claimed.

Nothing here touches the verdict on fixity: sound and files are checked by their digests alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any

from provpack.edge import sshkeys
from provpack.errors import CouldNotCheck, InputProblem
from provpack.findings import Finding, Rule, Severity
from provpack.jobs.verified import Examined, Examiner, UnitView
from provpack.package import layout, signrules
from provpack.package.bagdeclaration import parse_declaration
from provpack.package.bagpaths import readable
from provpack.package.bagtext import MAX_TAG_FILE, manifest_kind, parse_manifest
from provpack.package.ownbag import SIGNATURE
from provpack.package.signers import SignerLine, Signers, check_principal
from provpack.package.signwords import SIGNED, moment_of
from provpack.package.sshsig import MAX_SIGNATURE, NAMESPACE_PACKAGE, Envelope, parse_signature
from provpack.package.sshwire import fingerprint

_MAX_RECORD = 64 * 1024 * 1024
_DECLARATION = 64 * 1024
_NO_TIME = "A signature holds no time of its own; the time is what the package says of itself."


@dataclass(frozen=True, slots=True, kw_only=True)
class Signer:
    """A key and the name under which the receiver finds it in the list of signers."""

    principal: str
    key: sshkeys.SigningKey

    @property
    def fingerprint(self) -> str:
        """`SHA256:...` of the public key."""
        return self.key.fingerprint

    @property
    def public_line(self) -> str:
        """The public key as a line of text."""
        return self.key.public_line()

    def sign(self, message: bytes, namespace: str) -> bytes:
        """The armoured SSHSIG over message."""
        return self.key.sign(message, namespace)


def check_name(name: str) -> None:
    """Raises UsageProblem when a signer cannot be called so in a list of signers."""
    check_principal(name, "--signer")


def signer_of(key: sshkeys.SigningKey, name: str | None, file: Path) -> Signer:
    """The signer of this name, or of the comment of the key. Raises UsageProblem when that is no name."""
    where = f"the comment of {file}" if name is None else "--signer"
    return Signer(principal=check_principal(name if name is not None else key.comment, where), key=key)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureVerdict:
    """state: a word of signature_state (schemas/fields.schema.json). principal: as the list has it, when the
    signature is valid or expired. fingerprint: of the key that made it, when it fits the bytes. lapsed: valid
    for the time claimed, and the key is not trusted now."""

    state: str
    principal: str | None = None
    fingerprint: str | None = None
    findings: tuple[Finding, ...] = ()
    lapsed: bool = False

    def as_json(self) -> dict[str, str | None]:
        """The shape `signature` of schemas/delivery-note.schema.json."""
        return {"state": self.state, "principal": self.principal, "fingerprint": self.fingerprint}


class _Court:
    """One signature: how gravely its faults are told, and where it lies."""

    def __init__(self, where: str, required: bool) -> None:
        self._where = where
        self._severity: Severity | None = "error" if required else None

    def say(
        self,
        state: str,
        rule: Rule,
        what: str,
        *,
        principal: str | None = None,
        mark: str | None = None,
        todo: str = "",
    ) -> SignatureVerdict:
        found = rule.found(what, self._where, todo=todo, severity=self._severity)
        return SignatureVerdict(state=state, principal=principal, fingerprint=mark, findings=(found,))


def judge_signature(
    message: bytes,
    signature: bytes | None,
    *,
    namespace: str,
    signers: Signers | None,
    at: datetime | None,
    where: str,
    required: bool = False,
    principal: str | None = None,
    now: datetime | None = None,
) -> SignatureVerdict:
    """Judge a signature file over message; None: there is none. Raises nothing.

    at: when this was sealed (aware), as it says itself; None when it does not say: then a key that is listed
    with dates cannot be judged. where: the signature file, for people. required: faults are errors.
    principal: the signer it must be by; None for anybody on the list. now: the moment of the check (aware);
    None: whether the key is still trusted is not judged.
    """
    court = _Court(where, required)
    if signature is None:
        return court.say("missing", signrules.MISSING, "There is no signature.")
    try:
        envelope = parse_signature(signature, where)
    except InputProblem as err:
        return court.say("wrong", signrules.UNREADABLE, err.what, todo=err.todo)
    except CouldNotCheck as err:
        return court.say("could_not_check", signrules.UNSUPPORTED, err.what, todo=err.todo)
    if envelope.namespace != namespace:
        what = f"The signature was made for {readable(envelope.namespace[:80])!r}, not for {namespace!r}."
        return court.say("wrong", signrules.NAMESPACE, what)
    if not sshkeys.verify(envelope.key, envelope.raw, envelope.signed_bytes(message)):
        what = (
            "The signature does not fit: what was signed was changed afterwards, or the signature belongs to "
            "something else."
        )
        return court.say("wrong", signrules.WRONG, what)
    mark = fingerprint(envelope.public_key)
    if signers is None:
        what = f"The signature fits and was made with the key {mark}, but no list of signers was named."
        return court.say("unvouched", signrules.UNVOUCHED, what, mark=mark)
    return _judge_signer(court, envelope, signers, at, now, principal, mark)


def _judge_signer(
    court: _Court,
    envelope: Envelope,
    signers: Signers,
    at: datetime | None,
    now: datetime | None,
    principal: str | None,
    mark: str,
) -> SignatureVerdict:
    """The signature fits; is its key trusted for this?"""
    namespace, where = envelope.namespace, readable(signers.where)
    at = at if at is not None and at.utcoffset() is not None else None
    lines = [line for line in signers.lines if line.public_key == envelope.public_key]
    if not lines:
        what = f"The signature fits, but its key {mark} is not in the list of signers {where}."
        return court.say("foreign", signrules.FOREIGN, what, mark=mark)
    meant = [line for line in lines if principal is None or line.named(principal)]
    if not meant:
        names = readable(lines[0].principals[:200])
        what = f"The signature fits, but {where} lists its key {mark} for {names}, not for {principal}."
        return court.say("foreign", signrules.NOT_FOR_THIS, what, mark=mark)
    fit = [line for line in meant if line.allows(namespace)]
    if not fit:
        what = (
            f"The signature fits, but {where} lists its key {mark} of {readable(meant[0].principals[:200])} "
            f"for other purposes only, not for {namespace}."
        )
        return court.say("foreign", signrules.NOT_FOR_THIS, what, mark=mark)
    standing = [(line.standing(at), line) for line in fit]
    for state, line in standing:
        if state == "inside":
            name = principal or line.principals
            if now is not None and not any(x.standing(now) == "inside" for x in fit):
                return _lapsed(court, line, at, now, name, mark)
            return SignatureVerdict(state="valid", principal=name, fingerprint=mark)
    return _out_of_time(court, standing, at, principal, mark)


def _lapsed(
    court: _Court, line: SignerLine, at: datetime | None, now: datetime, principal: str, mark: str
) -> SignatureVerdict:
    """Trusted for the time claimed, not for now."""
    claimed = at.isoformat() if at is not None else "an unknown time"
    still = "not yet" if line.standing(now) == "early" else "not any more"
    what = (
        f"The signature fits, and its key {mark} is listed for {readable(line.principals[:200])} "
        f"{line.when()} (line {line.line}): valid for the time the package claims of itself ({claimed}), and "
        f"{still} on {now.isoformat()}. Whoever kept the key could have written that time."
    )
    verdict = court.say("valid", signrules.EXPIRED_SINCE, what, principal=principal, mark=mark)
    return replace(verdict, lapsed=True)


def _out_of_time(
    court: _Court,
    standing: list[tuple[Any, SignerLine]],
    at: datetime | None,
    principal: str | None,
    mark: str,
) -> SignatureVerdict:
    state, line = standing[-1]
    name, shown = principal or line.principals, readable(line.principals[:200])
    if at is None:
        what = (
            f"The signature fits and its key {mark} is listed for {shown} {line.when()}, but it is not known "
            f"when this was sealed. {_NO_TIME}"
        )
        return court.say(
            "could_not_check", signrules.TIME_UNKNOWN, what, principal=name, mark=mark
        )  # fmt: skip
    order = "not yet" if state == "early" else "no longer"
    what = (
        f"The signature fits, but its key {mark} is listed for {shown} {line.when()} (line {line.line}), and "
        f"was {order} valid on {at.isoformat()}. {_NO_TIME}"
    )
    return court.say("expired", signrules.EXPIRED, what, principal=name, mark=mark)


def signature_examiner(signers: Signers | None, *, required: bool, now: datetime | None = None) -> Examiner:
    """Examine the signature of each bag: tagmanifest-sha512.txt.sig over tagmanifest-sha512.txt.

    A bag without one is as it should be, unless signers were named or a signature is required. Demands are
    met, not_met or could_not_check only when it is required. now: as for judge_signature.
    """

    def examine(view: UnitView) -> Examined:
        told: str | None = None
        at: datetime | None = None
        if SIGNATURE not in view.files and signers is None and not required:
            verdict = SignatureVerdict(state="missing")
        else:
            at, told = sealed_at(view)
            verdict = _judge_view(view, signers, at, now, required)
        uncovered = any(f.rule == signrules.COVERS_LESS.id for f in verdict.findings)
        return Examined(
            topic="signature",
            state=verdict.state,
            demands=_demands(verdict, uncovered) if required else "not_asked",
            facts={
                **verdict.as_json(),
                "namespace": NAMESPACE_PACKAGE,
                "signers": readable(signers.where) if signers is not None else None,
                "sealed_at": at.isoformat() if at is not None else None,
                "sealed_at_from": told,
            },
            findings=verdict.findings,
        )

    return examine


def _demands(verdict: SignatureVerdict, uncovered: bool) -> str:
    if verdict.state in ("could_not_check", "unvouched"):
        return "could_not_check"
    if verdict.state != "valid" or uncovered:
        return "not_met"
    return "could_not_check" if verdict.lapsed else "met"


def _judge_view(
    view: UnitView, signers: Signers | None, at: datetime | None, now: datetime | None, required: bool
) -> SignatureVerdict:
    where = f"{readable(view.name)}/{SIGNATURE}"
    court = _Court(where, required)
    if SIGNATURE not in view.files:
        return court.say("missing", signrules.MISSING, "The package has no signature.")
    if SIGNED not in view.files:
        what = f"There is a signature, but no {SIGNED} that it could be over."
        return court.say("could_not_check", signrules.UNCHECKED, what)
    if view.files[SIGNATURE] > MAX_SIGNATURE:
        what = f"The signature file is larger than {MAX_SIGNATURE} bytes; no signature is."
        return court.say("wrong", signrules.UNREADABLE, what)
    try:
        message, signature = view.read(SIGNED, MAX_TAG_FILE), view.read(SIGNATURE, MAX_SIGNATURE)
        unlisted = _unlisted(view, message)
    except CouldNotCheck as err:
        return court.say("could_not_check", signrules.UNCHECKED, err.what, todo=err.todo)
    verdict = judge_signature(
        message,
        signature,
        namespace=NAMESPACE_PACKAGE,
        signers=signers,
        at=at,
        where=where,
        required=required,
        now=now,
    )
    if not unlisted or verdict.state not in ("valid", "unvouched", "expired", "foreign"):
        return verdict
    names = ", ".join(readable(name) for name in unlisted[:10])
    what = f"{SIGNED} is signed, but does not list {names}: the signature says nothing of what stands there."
    more = court.say(verdict.state, signrules.COVERS_LESS, what)
    return replace(verdict, findings=(*verdict.findings, *more.findings))


def _unlisted(view: UnitView, message: bytes) -> list[str]:
    """Payload manifests that the signed tag manifest does not list: nothing vouches for their files."""
    declaration = parse_declaration(_read_known(view, "bagit.txt", _DECLARATION))
    listed = {line.path for line in parse_manifest(message, SIGNED, declaration).lines}
    wanted = [name for name in view.files if (manifest_kind(name) or ("", ""))[0] == "payload"]
    return sorted(name for name in wanted if name not in listed)


def _read_known(view: UnitView, path: str, limit: int) -> bytes:
    return view.read(path, limit) if path in view.files else b""


def sealed_at(view: UnitView) -> tuple[datetime | None, str | None]:
    """(when a bag says it was sealed, where it says so: "record" or "bag-info"); (None, None) if nowhere.

    A Bagging-Date is a day without a place: noon in UTC stands for it, on that day nearly everywhere.
    """
    if layout.RECORD in view.files:
        try:
            record = json.loads(view.read(layout.RECORD, _MAX_RECORD))
        except (CouldNotCheck, ValueError, RecursionError):
            record = None
        made_by = record.get("made_by") if isinstance(record, dict) else None
        moment = moment_of(made_by.get("at")) if isinstance(made_by, dict) else None
        if moment is not None:
            return moment, "record"
    dates = [value for label, value in view.bag_info if label.lower() == "bagging-date"]
    moment = _noon(dates)
    return (moment, "bag-info") if moment is not None else (None, None)


def _noon(dates: Iterable[str]) -> datetime | None:
    days = set(dates)
    try:
        day = datetime.strptime(days.pop(), "%Y-%m-%d") if len(days) == 1 else None
    except ValueError:
        return None
    return datetime.combine(day.date(), time(12), UTC) if day is not None else None
