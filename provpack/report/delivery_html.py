"""The two pages of a delivery: the index to begin with, and the delivery note to print and sign.

Both are self-contained: no script, no network. All text from outside is escaped by the template engine; a
link is only made of a path that cannot lead out of the delivery's folder.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from provpack.package.figures import clock, count, moment_words, number, size_words
from provpack.package.readfirst_words import (
    COPYRIGHT,
    NOT_MATCHING,
    ORIGINAL_CARRIER,
    OUTCOME,
    PERSONAL_DATA,
    one_line,
    signature_command,
)
from provpack.package.signwords import STATES
from provpack.package.sshsig import NAMESPACE_DELIVERY
from provpack.package.summary import EMPHASIS_SHORT
from provpack.report.html import page_of
from provpack.report.html_values import Json

_PATH: Final = re.compile(r"(?:packages|reports)(?:/(?!\.\.?(?:/|$))[A-Za-z0-9_.-]+)+")
_UUID: Final = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_NAMED: Final = 20  # packages that a sentence about several of them names
_GROUP: Final = 8  # letters of a digest that stand together

FORMS: Final[Mapping[str, str]] = {
    "folder": "Each package is a folder. Do not rename, add or delete anything in it.",
    "tar": "Each package is one .tar archive. It need not be unpacked to be checked and kept.",
    "zip": "Each package is one .zip archive. It need not be unpacked to be checked and kept.",
}
# state of pre-emphasis -> (sign, look): colour is never the only sign
_EMPHASIS_LOOK: Final[Mapping[str, tuple[str, str]]] = {
    "present": ("♪", "warn"),
    "mixed": ("♪", "warn"),
    "removed": ("♪", "warn"),
    "unknown": ("?", "open"),
}
_WHOLE: Final = ("complete", "clean")


def render_index(note: Json, *, packages: Sequence[Json]) -> str:
    """index.html of a delivery as text.

    note: content of delivery-note.json. packages: for each an object with its `entry` of the note and the
    lists `summary`, `listen` and `cautions` (package/summary.py); one that is missing leaves its row short.
    """
    more = {str((p.get("entry") or {}).get("name")): p for p in packages}
    rows = [_row(entry, more.get(str(entry.get("name")), {})) for entry in _entries(note)]
    return page_of(
        "index.html.j2",
        **_common(note),
        rows=rows,
        attention=_attention(rows),
        form_words=FORMS.get(str(note.get("form")), ""),
        form=str(note.get("form")),
        commands=_commands(note),
        not_matching=NOT_MATCHING,
        general_cautions=[COPYRIGHT, PERSONAL_DATA, ORIGINAL_CARRIER],
    )


def render_note(note: Json) -> str:
    """delivery-note.html as text: the same list for paper, with lines for both signatures."""
    delivery_id = str(note.get("delivery_id"))
    return page_of(
        "note.html.j2",
        **_common(note),
        rows=[_row(entry, {}) for entry in _entries(note)],
        running=delivery_id if _UUID.fullmatch(delivery_id) else "",
    )


def groups(digest: object) -> list[str]:
    """A digest in groups that the eye can follow; one_line of anything else."""
    text = one_line(digest or "", 200)
    return [text[n : n + _GROUP] for n in range(0, len(text), _GROUP)]


def safe_link(path: object) -> str:
    """A link from the delivery's folder to a file in it; empty for a path that is not one of ours."""
    text = str(path or "")
    return text if _PATH.fullmatch(text) and len(text) < 400 else ""


def _entries(note: Json) -> list[Json]:
    return [entry for entry in note.get("packages") or () if isinstance(entry, Mapping)]


def _part(value: Any) -> Json:
    return value if isinstance(value, Mapping) else {}


def _common(note: Json) -> dict[str, Any]:
    """What both pages say: parties, totals, ledger, signer."""
    totals, made = _part(note.get("totals")), _part(note.get("made_by"))
    ledger, signer = _part(note.get("ledger")), _part(note.get("signer"))
    giver, profile = _part(note.get("from")), _part(note.get("client_profile"))
    return {
        "name": one_line(note.get("delivery_name") or "delivery", 160),
        "delivery_id": one_line(note.get("delivery_id") or "", 80),
        "made_at": moment_words(one_line(made.get("at") or "", 80)),
        "made_with": one_line(f"{made.get('tool', '')} {made.get('version', '')}", 80),
        "giver": one_line(giver.get("organisation") or "not named", 200),
        "contact": one_line(giver.get("contact") or "", 300),
        "client": one_line(_part(note.get("to")).get("client") or "not named", 200),
        "profile": one_line(profile.get("name") or "", 200),
        "profile_id": one_line(profile.get("bagit_profile_identifier") or "", 300),
        "many": count(int(totals.get("packages") or 0), "package"),
        "total_bytes": int(totals.get("bytes") or 0),
        "total_size": _size(totals.get("bytes")),
        "total_files": number(int(totals.get("files") or 0)),
        "total_time": _time(totals.get("duration_s")),
        "ledger": {
            "entries": number(int(ledger.get("entries") or 0)),
            "groups": groups(ledger.get("last_sha512")),
        }
        if ledger
        else None,
        "signer": {key: one_line(signer.get(key) or "", 200) for key in ("principal", "fingerprint")}
        if signer
        else None,
        "remark": one_line(note.get("note") or "", 2000),
    }


def _size(value: Any) -> str:
    """`1.9 GB (1 905 120 000 bytes)`; bytes alone where they are few."""
    exact = int(value or 0)
    said = size_words(exact)
    return said if said.endswith("bytes") else f"{said} ({number(exact)} bytes)"


def _time(seconds: Any) -> str:
    if not isinstance(seconds, (int, float)):
        return "no sound"
    return clock(round(seconds))


def _row(entry: Json, more: Json) -> dict[str, Any]:
    """One package as the pages show it."""
    emphasis, outcome = str(entry.get("emphasis") or ""), str(entry.get("outcome"))
    findings, signature = _part(entry.get("findings")), _part(entry.get("signature"))
    counts = [(int(findings.get(name) or 0), name) for name in ("error", "warning")]
    sign, look = _EMPHASIS_LOOK.get(emphasis, ("", ""))
    state = str(signature.get("state") or "")
    return {
        "n": int(entry.get("n") or 0),
        "name": one_line(entry.get("name") or "", 200),
        "title": one_line(entry.get("title") or "without a title", 300),
        "link": safe_link(entry.get("report")),
        "item": one_line(entry.get("client_item_id") or "", 120),
        "carrier": one_line(entry.get("carrier_id") or "", 120),
        "outcome": OUTCOME.get(outcome, one_line(outcome, 80)),
        "whole": outcome in _WHOLE,
        "emphasis": EMPHASIS_SHORT.get(emphasis, "no sound" if not emphasis else one_line(emphasis, 80)),
        "emphasis_sign": sign,
        "emphasis_look": look,
        "time": _time(entry.get("duration_s")),
        "size": size_words(int(entry.get("bytes") or 0)),
        "bytes": number(int(entry.get("bytes") or 0)),
        "files": number(int(entry.get("files") or 0)),
        "signature": STATES.get(state, ""),
        "signature_good": state in ("valid", "unvouched", "missing", ""),
        "findings": ", ".join(count(many, name) for many, name in counts if many),
        "remarks": [one_line(r, 600) for r in entry.get("remarks") or ()],
        "summary": _said(more.get("summary")),
        "listen": _said(more.get("listen")),
        "cautions": _said(more.get("cautions")),
        "digest": groups(entry.get("tagmanifest_sha512")),
    }


def _said(value: Any) -> list[str]:
    return [one_line(sentence, 600) for sentence in value or ()]


def _attention(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What several packages have in common that somebody must know: a sentence and the packages."""
    asked: list[tuple[str, Callable[[Mapping[str, Any]], bool]]] = [
        ("not the whole carrier transferred, or no result", lambda r: not r["whole"]),
        ("too bright on purpose, wholly or in parts", lambda r: "bright" in r["emphasis"]),
        ("pre-emphasis unknown", lambda r: r["emphasis_look"] == "open"),
        ("with cautions about access, personal data, copying or the carrier", lambda r: bool(r["cautions"])),
        ("with findings to look at", lambda r: bool(r["findings"])),
        ("with a signature to look at", lambda r: not r["signature_good"]),
        ("with remarks", lambda r: bool(r["remarks"])),
    ]
    out = []
    for said, asks in asked:
        found = [r["n"] for r in rows if asks(r)]
        if found:
            out.append(
                {"many": count(len(found), "package"), "said": said, "first": found[:_NAMED],
                 "more": number(len(found) - _NAMED) if len(found) > _NAMED else ""}
            )  # fmt: skip
    return out


def _commands(note: Json) -> dict[str, str]:
    """What to type; each is empty where it does not apply."""
    signer = _part(note.get("signer"))
    each = (
        'for p in packages/*/; do\n  (cd "$p" && sha512sum --quiet -c manifest-sha512.txt '
        'tagmanifest-sha512.txt) \\\n    && echo "OK       $p" || echo "LOOK AT  $p"\ndone'
    )
    return {
        "all": "sha512sum -c checksums-sha512.txt",
        "each": each if note.get("form") == "folder" else "",
        "signature": signature_command(
            str(signer.get("principal") or ""),
            NAMESPACE_DELIVERY,
            signed="delivery-note.json",
            signers="allowed_signers",
        )
        if signer
        else "",
    }
