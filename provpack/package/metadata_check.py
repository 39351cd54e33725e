"""Do the metadata documents of a package still agree with the package: premis.xml and audio-object.xml.

For wrap (before the package is sealed) and for `verify --depth meaning`. The published schemas are not part
of the program; what they would find of structure, and what they cannot find, is looked for here as far as
it matters to a receiver: vocabularies, dates, links, mandatory parts, and the facts that must be the same
in two places. Nothing here ever changes what is said about the audio or about fixity.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from provpack.errors import RecordProblem
from provpack.findings import Finding, Rule
from provpack.model.rates import format_rate, rate_from_json
from provpack.package import layout
from provpack.package.audio_object_terms import AES57
from provpack.package.figures import counted
from provpack.package.premis_check import check_premis
from provpack.package.premis_terms import PREMIS
from provpack.package.premis_view import at
from provpack.xmldoc import XmlProblem, parse_untrusted

if TYPE_CHECKING:
    from lxml.etree import _Element

FILE_MISSING = Rule(
    id="meta-file-missing",
    severity="error",
    title="A metadata document speaks of a file that is not in the package",
    todo="Ask the sender for the file, or for a corrected document; the audio is judged by its own digests.",
    reference="PREMIS Data Dictionary 3.0, 1.1 objectIdentifier",
)
DIGEST_DIFFERS = Rule(
    id="meta-digest-differs",
    severity="error",
    title="A digest in premis.xml is not the digest of the file",
    todo="Trust the manifests of the bag, and ask the sender which is right.",
    reference="PREMIS Data Dictionary 3.0, 1.5.2 fixity",
)
SIZE_DIFFERS = Rule(
    id="meta-size-differs",
    severity="error",
    title="A size in premis.xml is not the size of the file",
    todo="Trust the manifests of the bag, and ask the sender which is right.",
    reference="PREMIS Data Dictionary 3.0, 1.5.3 size",
)
NOT_READABLE = Rule(
    id="meta-audio-object-not-readable",
    severity="error",
    title="audio-object.xml is not an AES57 audioObject that can be read",
    todo="Ask whoever wrote it for a well-formed copy; the audio is not affected.",
    reference="AES57-2011; XML 1.0",
)
DISAGREES = Rule(
    id="meta-audio-object-disagrees",
    severity="error",
    title="audio-object.xml says otherwise than record.json",
    todo="Trust record.json, which was checked against its schema, and ask the sender which is right.",
    reference="AES57-2011, editUnitNumberType; domain note 8",
)
RECORD_DIFFERS = Rule(
    id="meta-other-record",
    severity="error",
    title="A metadata document is about another transfer record",
    todo="Find out which package the document belongs to.",
)
RULES = (FILE_MISSING, DIGEST_DIFFERS, SIZE_DIFFERS, NOT_READABLE, DISAGREES, RECORD_DIFFERS)

DOCUMENTS = (layout.PREMIS, layout.AUDIO_OBJECT)
"""The documents check_metadata knows."""
_ALGORITHMS = {"MD5": "md5", "SHA-1": "sha1", "SHA-256": "sha256", "SHA-384": "sha384", "SHA-512": "sha512"}
_BROKEN = re.compile(r"([a-z][a-z0-9-]*) \((\d{1,9})\)")
_MOST = 200  # findings of one document


def check_metadata(
    documents: Mapping[str, bytes],
    *,
    record: Mapping[str, Any] | None = None,
    digests: Mapping[str, Mapping[str, str]] | None = None,
    sizes: Mapping[str, int] | None = None,
) -> tuple[Finding, ...]:
    """What is wrong with the metadata documents of a package; empty when all is well. Raises nothing.

    documents: path in the package -> bytes; paths other than DOCUMENTS are passed over. record: record.json,
    when it could be read. digests: path -> algorithm ('sha256' style) -> lower-case hex, of the files as they
    are. sizes: path -> bytes of every file in the package. What is not given is not compared.
    """
    found: list[Finding] = []
    if layout.PREMIS in documents:
        data = documents[layout.PREMIS]
        judged = list(check_premis(data, where=layout.PREMIS))
        if not any(f.rule in ("premis-not-readable", "premis-not-version-3") for f in judged):
            root = parse_untrusted(data, where=layout.PREMIS)
            judged += list(_premis_facts(root, record, digests or {}, sizes))[:_MOST]
        found += judged
    if layout.AUDIO_OBJECT in documents:
        found += list(_audio_object(documents[layout.AUDIO_OBJECT], record))[:_MOST]
    return tuple(found)


def rules_at_wrapping(premis: bytes) -> dict[str, int]:
    """Rule ids that checking the record found broken when the package was made, and how often.

    From the validation event of our own premis.xml (package/premis_events.py); empty when nothing is told or
    the document cannot be read.
    """
    try:
        root = parse_untrusted(premis, where=layout.PREMIS)
    except XmlProblem:
        return {}
    found: dict[str, int] = {}
    for event in root.iter(f"{{{PREMIS}}}event"):
        if event.findtext(f"{{{PREMIS}}}eventType") == "validation":
            for note in event.iter(f"{{{PREMIS}}}eventOutcomeDetailNote"):
                told = (note.text or "").partition("rules: ")[2]
                found |= {rule: int(many) for rule, many in _BROKEN.findall(told)}
    return found


def _premis_facts(
    root: _Element,
    record: Mapping[str, Any] | None,
    digests: Mapping[str, Mapping[str, str]],
    sizes: Mapping[str, int] | None,
) -> Iterator[Finding]:
    path = {"path": layout.PREMIS}
    record_id = at(record, "record_id")
    for entry in root.iterfind(f"{{{PREMIS}}}object"):
        where = f"{layout.PREMIS}, line {entry.sourceline}"
        names = dict(map(_pair, entry.iterfind(f"{{{PREMIS}}}objectIdentifier")))
        own = names.get("local")
        if record_id and own and not own.startswith(f"{record_id}/"):
            yield RECORD_DIFFERS.found(
                f"The object {own} does not belong to record {record_id}.", where, position=path
            )
        file = names.get("path in package")
        if file is None:
            continue
        if sizes is not None and file not in sizes:
            yield FILE_MISSING.found(f"{file} is described, and is not there.", where, position=path)
            continue
        yield from _fixity(entry, file, digests.get(file, {}), where)
        said = (entry.findtext(f"{{{PREMIS}}}objectCharacteristics/{{{PREMIS}}}size") or "").strip()
        if sizes is not None and said and said != str(sizes[file]):
            yield SIZE_DIFFERS.found(
                f"{file} has {counted(sizes[file], 'byte')}; premis.xml says {said}.", where, position=path
            )


def _fixity(entry: _Element, file: str, digests: Mapping[str, str], where: str) -> Iterator[Finding]:
    for fixity in entry.iterfind(f"{{{PREMIS}}}objectCharacteristics/{{{PREMIS}}}fixity"):
        algorithm, said = _pair(fixity)
        real = digests.get(_ALGORITHMS.get(algorithm, ""))
        if real is not None and said.lower() != real.lower():
            what = f"The {algorithm} of {file} is {real[:16]}...; premis.xml says {said[:16]}..."
            yield DIGEST_DIFFERS.found(what, where, position={"path": layout.PREMIS})


def _pair(element: _Element) -> tuple[str, str]:
    """The texts of the first two children."""
    said = [(child.text or "").strip() for child in element][:2]
    return (said[0], said[1]) if len(said) == 2 else ("", "")


def _audio_object(data: bytes, record: Mapping[str, Any] | None) -> Iterator[Finding]:
    where, place = layout.AUDIO_OBJECT, {"path": layout.AUDIO_OBJECT}
    try:
        root = parse_untrusted(data, where=where)
    except XmlProblem as problem:
        yield NOT_READABLE.found(problem.what, problem.where, position=place)
        return
    if root.tag != f"{{{AES57}}}audioObject":
        yield NOT_READABLE.found(f"The root element is {root.tag}.", where, position=place)
        return
    if record is None:
        return
    ids = {
        e.get("idOtherType"): (e.text or "").strip() for e in root.iterfind(f"{{{AES57}}}secondaryIdentifier")
    }
    named = ids.get("transfer record identifier")
    if named is not None and named != record.get("record_id"):
        what = f"It names record {named}; record.json is {record.get('record_id')}."
        yield RECORD_DIFFERS.found(what, where, position=place)
    for what in _timing(root, record):
        yield DISAGREES.found(what, where, position=place)


def _timing(root: _Element, record: Mapping[str, Any]) -> Iterator[str]:
    """Rate and length, compared exactly."""
    duration = root.find(f"{{{AES57}}}face/{{{AES57}}}timeline/{{{AES57}}}duration")
    frames = at(record, "measured", "frames")
    if duration is None:
        yield "It has no timeline."
        return
    try:
        rate = rate_from_json(at(record, "signal", "sampling_frequency"))
    except RecordProblem:
        return
    said = _rate_of(duration)
    if said is None:
        yield "The edit units of its timeline cannot be read."
    elif said != rate:
        yield f"One edit unit is a frame at {format_rate(said)}; the record says {format_rate(rate)}."
    if frames is not None and (duration.text or "").strip() != str(frames):
        yield f"Its timeline is {(duration.text or '').strip()[:40]} long; the audio has {frames} frames."


def _rate_of(element: _Element) -> Fraction | None:
    """editRate x factorNumerator / factorDenominator, Hz; the factors default to 1 (aes60-2011.xsd)."""
    said = [element.get(name, "1") for name in ("editRate", "factorNumerator", "factorDenominator")]
    if element.get("editRate") is None or not all(s.isascii() and s.isdigit() and len(s) < 20 for s in said):
        return None
    rate, numerator, denominator = map(int, said)
    return Fraction(rate * numerator, denominator) if rate * numerator * denominator else None
