"""The receipt: what a receiver found and concludes; and whether it fits what was handed over. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from provpack.package.figures import moment_words

Json = Mapping[str, Any]
Conclusion = Literal["accepted", "accepted_with_remarks", "refused"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One package as the receiver found it; the shape `packages` of schemas/receipt.schema.json."""

    name: str
    tagmanifest_sha512: str | None
    outcome: str
    signature: str
    demands: str
    as_noted: bool | None
    findings: Json

    def as_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "tagmanifest_sha512": self.tagmanifest_sha512,
            "outcome": self.outcome,
            "signature": self.signature,
            "demands": self.demands,
            "as_noted": self.as_noted,
            "findings": dict(self.findings),
        }


def conclude(packages: Sequence[Found], *, errors: int, warnings: int, remarks: str | None) -> Conclusion:
    """What follows: refused as soon as one package is not good, not as noted or not as asked, or anything
    about the delivery as a whole is an error; with remarks when something was remarked or warned of."""
    if errors or any(not fit(one.as_json()) for one in packages):
        return "refused"
    warned = warnings or any(one.findings["warning"] or one.findings["error"] for one in packages)
    return "accepted_with_remarks" if remarks or warned else "accepted"


def fit(package: Json) -> bool:
    """Whether nothing about a package of a receipt speaks against accepting it."""
    return (
        package["outcome"] == "good"
        and package["as_noted"] is not False
        and package["demands"] in ("met", "not_asked")
        and package["signature"] not in ("wrong",)
    )


def build_receipt(
    *,
    receipt_id: str,
    made_by: Json,
    name: str | None,
    organisation: str | None,
    note: Json | None,
    note_sha512: str | None,
    depth: str,
    packages: Sequence[Found],
    note_signature: str,
    conclusion: Conclusion,
    remarks: str | None,
    signer: Json | None,
) -> dict[str, Any]:
    """The receipt; schemas/receipt.schema.json."""
    return {
        "schema_version": "1.0.0",
        "receipt_id": receipt_id,
        "made_by": dict(made_by),
        "received_by": {"name": name, "organisation": organisation},
        "delivery_id": note["delivery_id"] if note else None,
        "delivery_note_sha512": note_sha512,
        "ledger": note["ledger"] if note else None,
        "depth": depth,
        "packages": [one.as_json() for one in packages],
        "note_signature": note_signature,
        "conclusion": conclusion,
        "remarks": remarks,
        "signer": signer,
    }


Kind = Literal[
    "unknown_delivery", "not_delivered", "left_out", "identity", "note", "itself", "closed_otherwise"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """One way in which a receipt does not fit the ledger; package is its name, "" for the whole."""

    kind: Kind
    what: str
    package: str = ""


def contradictions(receipt: Json, lines: Sequence[Json]) -> list[Contradiction]:
    """Where a receipt (fitting its schema) contradicts itself or the ledger's lines, oldest first.

    lines: entries of the custody ledger as objects. A receipt without a delivery is compared with the lines
    about the sealing of its packages.
    """
    found = list(_of_itself(receipt))
    delivery = receipt["delivery_id"]
    if delivery is None:
        handed = {str(x.get("package")): x for x in lines if x.get("kind") in ("wrapped", "delivered")}
    else:
        mine = [x for x in lines if x.get("delivery_id") == delivery]
        handed = {str(x.get("package")): x for x in mine if x.get("kind") == "delivered"}
        if not handed:
            what = f"No line of the ledger says that delivery {delivery} left."
            return [*found, Contradiction(kind="unknown_delivery", what=what)]
        found += _note(receipt, handed)
        found += _closed(mine)
        named = {p["name"] for p in receipt["packages"]}
        found += [
            Contradiction(
                kind="left_out", what=f"'{name}' was delivered; the receipt is silent on it.", package=name
            )
            for name in sorted(handed.keys() - named)
        ]
    for package in receipt["packages"]:
        found += _identity(package, handed, delivery=delivery is not None)
    return found


def _of_itself(receipt: Json) -> list[Contradiction]:
    names = [p["name"] for p in receipt["packages"]]
    if len(set(names)) != len(names):
        return [Contradiction(kind="itself", what="It speaks of one package twice.")]
    if receipt["conclusion"] == "refused":
        return []
    if receipt["delivery_id"] is None and receipt["delivery_note_sha512"] is not None:
        what = "It accepts a delivery whose note could not be read: it does not say which delivery."
        return [Contradiction(kind="itself", what=what)]
    return [
        Contradiction(
            kind="itself", package=p["name"],
            what=f"It concludes '{receipt['conclusion']}', yet of '{p['name']}' it says: {p['outcome']}, "
            f"as noted {p['as_noted']}, signature {p['signature']}, demands {p['demands']}.",
        )
        for p in receipt["packages"]
        if not fit(p)
    ]  # fmt: skip


def _note(receipt: Json, handed: Mapping[str, Json]) -> list[Contradiction]:
    made = {x.get("document_sha512") for x in handed.values()}
    theirs = receipt["delivery_note_sha512"]
    if made == {theirs}:
        return []
    what = f"The note received has the SHA-512 {str(theirs)[:16]}..., the ledger names another one."
    return [Contradiction(kind="note", what=what)]


def _closed(mine: Sequence[Json]) -> list[Contradiction]:
    """A refusal may be followed by a later receipt (another copy, a mended medium); an acceptance may not."""
    for line in mine:
        if line.get("kind") == "accepted":
            at = moment_words(str(line.get("at")))
            what = f"Line {line.get('n')} of the ledger closed this delivery on {at}."
            return [Contradiction(kind="closed_otherwise", what=what)]
    return []


def _identity(package: Json, handed: Mapping[str, Json], *, delivery: bool) -> list[Contradiction]:
    name, theirs = package["name"], package["tagmanifest_sha512"]
    line = handed.get(name)
    if line is None:
        what = f"'{name}' was not handed over, as far as the ledger tells."
        # something extra that came is no contradiction as long as nobody claims that the note names it
        if delivery and package["as_noted"] is not True:
            return []
        return [Contradiction(kind="not_delivered", what=what, package=name)]
    ours = line.get("tagmanifest_sha512")
    if theirs == ours or not (package["outcome"] == "good" and package["as_noted"] is not False):
        return []
    what = (
        f"'{name}' was received as {str(theirs)[:16]}... and called good; "
        f"line {line.get('n')} handed over {str(ours)[:16]}..."
    )
    return [Contradiction(kind="identity", what=what, package=name)]
