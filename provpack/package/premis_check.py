"""What the PREMIS schema does not check: dates, controlled terms, links, digests (premis-v3-0.xsd takes any
text there: an event of type `banana` dated `yesterday` is schema-valid)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from provpack.findings import Finding, Rule
from provpack.package.premis_terms import (
    AUTHORITY,
    OWN_TERMS,
    PREMIS,
    VOCABULARIES,
    VOCABULARY_OF,
    XSI,
    is_backwards,
    is_date,
)
from provpack.xmldoc import XmlProblem, parse_untrusted

if TYPE_CHECKING:
    from lxml.etree import _Element

DD = "PREMIS Data Dictionary 3.0"
NOT_XML = Rule(
    id="premis-not-readable",
    severity="error",
    title="The PREMIS document is not XML that can be read",
    todo="Ask whoever wrote it for a well-formed copy; the audio is not affected.",
    reference="XML 1.0",
)
NOT_PREMIS = Rule(
    id="premis-not-version-3",
    severity="error",
    title="The document is not PREMIS 3.0",
    todo="Use a reader for the version it declares.",
    reference=f"{DD}; premis-v3-0.xsd",
)
BAD_DATE = Rule(
    id="premis-date",
    severity="error",
    title="A date is not ISO 8601 or EDTF",
    todo="Ask whoever wrote it for the date as 1987-06-05, 1987-06-05T20:15:00+02:00, or an interval of two.",
    reference=f"{DD}, 2.3 eventDateTime",
)
BACKWARDS = Rule(
    id="premis-interval",
    severity="error",
    title="A period ends before it begins",
    todo="Ask whoever wrote it which of the two dates is right.",
    reference=f"{DD}, 2.3 eventDateTime; ISO 8601",
)
INCOMPLETE = Rule(
    id="premis-element-missing",
    severity="error",
    title="An entry lacks what the Data Dictionary makes mandatory",
    todo="Ask whoever wrote it to add the element, or to leave the whole entry out.",
    reference=f"{DD}: obligation 'mandatory' of the semantic units; premis-v3-0.xsd",
)
BAD_TERM = Rule(
    id="premis-term",
    severity="warning",
    title="A term is not in its controlled list",
    todo="Ask whoever wrote it for a term of the list, or agree on the word with the receiving repository.",
    reference="id.loc.gov/vocabulary/preservation",
)
BAD_AUTHORITY = Rule(
    id="premis-term-authority",
    severity="error",
    title="A term claims an authority that does not have it",
    todo="Ask whoever wrote it to correct the term, or to remove the authority attributes.",
    reference="id.loc.gov/vocabulary/preservation",
)
BAD_LINK = Rule(
    id="premis-dangling-link",
    severity="error",
    title="An identifier points at nothing in the document",
    todo="Ask whoever wrote it for the object, event, agent or rights statement that is missing.",
    reference=f"{DD}, 1.13, 1.14, 2.6, 2.7",
)
TWICE = Rule(
    id="premis-identifier-twice",
    severity="error",
    title="Two entries share one identifier",
    todo="Ask whoever wrote it to give each entry an identifier of its own.",
    reference=f"{DD}, 1.1, 2.1, 3.1",
)
BAD_DIGEST = Rule(
    id="premis-digest",
    severity="error",
    title="A digest has not the form of its algorithm",
    todo="Trust the manifests of the bag, and ask whoever wrote it to compute the digest again.",
    reference=f"{DD}, 1.5.2",
)
BAD_COUNTRY = Rule(
    id="premis-jurisdiction",
    severity="error",
    title="A jurisdiction is not a country code",
    todo="Ask whoever wrote it for the two- or three-letter code of ISO 3166-1.",
    reference=f"{DD}, 4.1.3.2",
)
MORE = Rule(
    id="premis-more-findings",
    severity="note",
    title="There are more findings than are listed",
    todo="Have those listed corrected first, then check again.",
)
RULES = (
    MORE,
    NOT_XML,
    NOT_PREMIS,
    BAD_DATE,
    BACKWARDS,
    INCOMPLETE,
    BAD_TERM,
    BAD_AUTHORITY,
    BAD_LINK,
    TWICE,
    BAD_DIGEST,
    BAD_COUNTRY,
)

DATES = frozenset(
    {
        "eventDateTime",
        "dateCreatedByApplication",
        "startDate",
        "endDate",
        "copyrightStatusDeterminationDate",
        "preservationLevelDateAssigned",
        "statuteInformationDeterminationDate",
    }
)
DIGEST_LENGTH = {"MD5": 32, "SHA-1": 40, "SHA-256": 64, "SHA-384": 96, "SHA-512": 128}
LINKS = {
    "linkingObjectIdentifier": "object",
    "relatedObjectIdentifier": "object",
    "linkingEventIdentifier": "event",
    "relatedEventIdentifier": "event",
    "linkingAgentIdentifier": "agent",
    "linkingRightsStatementIdentifier": "rightsStatement",
}
# What an entry cannot do without, by the name of the entry.
MANDATORY = {
    "object": ("objectIdentifier",),
    "objectCharacteristics": ("format",),
    "event": ("eventIdentifier", "eventType", "eventDateTime"),
    "agent": ("agentIdentifier",),
    "rightsStatement": ("rightsStatementIdentifier", "rightsBasis"),
    "copyrightInformation": ("copyrightStatus", "copyrightJurisdiction"),
    "statuteInformation": ("statuteJurisdiction", "statuteCitation"),
    "otherRightsInformation": ("otherRightsBasis",),
    "rightsGranted": ("act",),
}
# rightsBasis -> the part of the statement that tells it
BASIS_TOLD_IN = {
    "copyright": "copyrightInformation",
    "license": "licenseInformation",
    "statute": "statuteInformation",
    "other": "otherRightsInformation",
}
OWNERS = ("object", "event", "agent", "rightsStatement")
FINDINGS_MAX = 500
COUNTRY = re.compile("[A-Za-z]{2,3}")
Key = tuple[str, str]


def _local(element: _Element) -> str:
    """Local name of a PREMIS element; empty for anything else."""
    tag = element.tag
    return tag[len(PREMIS) + 2 :] if isinstance(tag, str) and tag.startswith(f"{{{PREMIS}}}") else ""


def _own_elements(element: _Element) -> Iterator[_Element]:
    """PREMIS elements below, without those inside extensions, which are other people's documents."""
    stack = list(element)[::-1]
    while stack:
        child = stack.pop()
        name = _local(child)
        if name:
            yield child
            if not name.endswith("Extension"):
                stack.extend(list(child)[::-1])


def _key(element: _Element) -> Key:
    """Type and value of an identifier element."""
    said = [(child.text or "").strip() for child in element]
    return (said[0], said[1]) if len(said) >= 2 else ("", "")


def _term(element: _Element, name: str, line: str) -> Iterator[Finding]:
    vocabulary, label = VOCABULARY_OF[name], (element.text or "").strip()
    codes = VOCABULARIES[vocabulary]
    uri = element.get("valueURI")
    if (
        uri is not None
        and uri.startswith(AUTHORITY)
        and uri != f"{AUTHORITY}{vocabulary}/{codes.get(label, '')}"
    ):
        yield BAD_AUTHORITY.found(f"{name} '{label}' claims to be {uri}.", line)
    elif uri is None and label not in codes and label not in OWN_TERMS.get(name, ()):
        yield BAD_TERM.found(f"{name} '{label}' is not in the list {vocabulary}.", line)


def _one(element: _Element, name: str, line: str) -> Iterator[Finding]:
    said = (element.text or "").strip()
    if name in DATES and not is_date(said):
        yield BAD_DATE.found(f"{name} is '{said}'.", line)
    elif name in DATES and is_backwards(said):
        yield BACKWARDS.found(f"{name} is '{said}'.", line)
    elif name in VOCABULARY_OF:
        yield from _term(element, name, line)
    elif name == "fixity":
        algorithm, digest = _key(element)
        length = DIGEST_LENGTH.get(algorithm)
        if length is not None and re.fullmatch(f"[0-9a-fA-F]{{{length}}}", digest) is None:
            yield BAD_DIGEST.found(
                f"The {algorithm} digest has {len(digest)} characters, not {length} hex digits.", line
            )
    elif name.endswith("Jurisdiction") and COUNTRY.fullmatch(said) is None:
        yield BAD_COUNTRY.found(f"{name} is '{said}'.", line)


def _missing(element: _Element, name: str, line: str) -> Iterator[Finding]:
    there = {_local(child) for child in element}
    wanted = list(MANDATORY.get(name, ()))
    if name == "object" and str(element.get(f"{{{XSI}}}type")).rpartition(":")[2] in ("file", "bitstream"):
        wanted.append("objectCharacteristics")
    if name == "rightsStatement":
        basis = (element.findtext(f"{{{PREMIS}}}rightsBasis") or "").strip()
        wanted += [BASIS_TOLD_IN[basis]] if basis in BASIS_TOLD_IN else []
    for part in wanted:
        if part not in there:
            yield INCOMPLETE.found(f"{name} has no {part}.", line)


def check_premis(document: bytes, *, where: str = "premis.xml") -> tuple[Finding, ...]:
    """Findings of a PREMIS 3.0 document beyond its schema, at most FINDINGS_MAX and a note; empty when all
    is well. Raises nothing."""
    try:
        root = parse_untrusted(document, where=where)
    except XmlProblem as problem:
        return (NOT_XML.found(problem.what, problem.where),)
    if root.tag != f"{{{PREMIS}}}premis" or root.get("version") != "3.0":
        return (NOT_PREMIS.found(f"The root element is {root.tag}, version {root.get('version')}.", where),)
    findings: list[Finding] = []
    known: dict[str, set[Key]] = {owner: set() for owner in OWNERS}
    links: list[tuple[str, Key, str]] = []
    for element in _own_elements(root):
        name, line = _local(element), f"{where}, line {element.sourceline}"
        findings.extend(_one(element, name, line))
        findings.extend(_missing(element, name, line))
        parent = element.getparent()
        owner = _local(parent) if parent is not None else ""
        if name == f"{owner}Identifier" and owner in known:
            key = _key(element)
            if key in known[owner]:
                findings.append(TWICE.found(f"The {owner} {key[1]} is there twice.", line))
            known[owner].add(key)
        elif name in LINKS:
            links.append((LINKS[name], _key(element), line))
    findings.extend(
        BAD_LINK.found(f"No {owner} has the identifier {key[1]}.", line)
        for owner, key, line in links
        if key not in known[owner]
    )
    if len(findings) > FINDINGS_MAX:
        left = len(findings) - FINDINGS_MAX
        return (*findings[:FINDINGS_MAX], MORE.found(f"{left} more findings are not listed.", where))
    return tuple(findings)
