"""Words of PREMIS 3.0: namespaces, the controlled lists we use, and small element builders.

Controlled lists: Library of Congress preservation vocabularies, id.loc.gov/vocabulary/preservation
(`eventType`, 50 terms of the November 2024 copy; `eventOutcome`, `agentType`, `relationshipType`,
`relationshipSubType`, `eventRelatedAgentRole`, `eventRelatedObjectRole`, `rightsBasis`, `copyrightStatus`,
`cryptographicHashFunctions`). The codes `per` and `org` of agentType and `sou` of eventRelatedObjectRole
are from memory. The schema checks none of this (PREMIS 3.0 XSD: `stringPlusAuthority`), so we do.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType

from provpack.xmldoc import Node, Raw

PREMIS = "http://www.loc.gov/premis/v3"
XSI = "http://www.w3.org/2001/XMLSchema-instance"
RECORD = "urn:provpack:record:1"
PREFIXES: Mapping[str, str] = MappingProxyType({"premis": PREMIS, "xsi": XSI, "pr": RECORD})

AUTHORITY = "http://id.loc.gov/vocabulary/preservation/"
ID_TYPE = "local"  # type of every identifier we make ourselves: unique because it starts with the record id

_EVENT_TYPES = """acc accession,app appraisal,cap capture,com compression,cop compiling,cre creation,
dea deaccession,dec decompression,del deletion,der decryption,dig digital signature validation,
dis dissemination,dsg digital signature generation,dsp displaying,enc encryption,exe execution,
exp exporting,ext extraction,ffa forensic feature analysis,fil filename change,fix fixity check,
for format identification,ima imaging,ine ingestion end,ing ingestion,ins ingestion start,
int interpreting,ipc information package creation,ipm information package merging,
ips information package splitting,mee metadata extraction,mem metadata modification,
mes message digest calculation,mig migration,mod modification,nor normalization,pac packing,
poa policy assignment,prt printing,qua quarantine,rec recovery,red redaction,ref refreshment,
ren rendering,rep replication,tra transfer,unp unpacking,unq unquarantine,val validation,vir virus check"""


def _codes(text: str) -> Mapping[str, str]:
    """`code label,code label` as a mapping label -> code."""
    pairs = (entry.strip().partition(" ") for entry in text.replace("\n", "").split(","))
    return MappingProxyType({label: code for code, _, label in pairs})


VOCABULARIES: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "eventType": _codes(_EVENT_TYPES),
        "eventOutcome": _codes("suc success,war warning,fai fail"),
        "agentType": _codes("per person,org organization,sof software,har hardware"),
        "relationshipType": _codes(
            "dep dependency,der derivation,log logical,ref reference,rep replacement,str structural"
        ),
        "relationshipSubType": _codes(
            "hss has source,iso is source of,isi is included in,inc includes,doc documents,sup supersedes"
        ),
        "eventRelatedAgentRole": _codes("aut authorizer,exe executing program,imp implementer,val validator"),
        "eventRelatedObjectRole": _codes("sou source,out outcome"),
        "rightsBasis": _codes("cop copyright,ins institutional policy,lic license,oth other,sta statute"),
        "copyrightStatus": _codes("cpr copyrighted,pub publicdomain,unk unknown"),
        "cryptographicHashFunctions": _codes(
            "md5 MD5,sha1 SHA-1,sha256 SHA-256,sha384 SHA-384,sha512 SHA-512"
        ),
    }
)

# Which vocabulary governs which element.
VOCABULARY_OF: Mapping[str, str] = MappingProxyType(
    {
        "eventType": "eventType",
        "eventOutcome": "eventOutcome",
        "agentType": "agentType",
        "relationshipType": "relationshipType",
        "relationshipSubType": "relationshipSubType",
        "linkingAgentRole": "eventRelatedAgentRole",
        "linkingObjectRole": "eventRelatedObjectRole",
        "rightsBasis": "rightsBasis",
        "copyrightStatus": "copyrightStatus",
        "messageDigestAlgorithm": "cryptographicHashFunctions",
    }
)

# Words of this trade that the lists above lack. They carry no authority.
OWN_TERMS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "eventType": frozenset(
            {"condition assessment", "treatment", "chain check", "custody change", "equipment fault notice"}
        ),
        "eventOutcome": frozenset({"unknown"}),
        "linkingAgentRole": frozenset(
            {
                "playback deck",
                "decoder",
                "digital output board",
                "interface",
                "capture device",
                "signal path",
                "signer",
            }
        ),
    }
)

_EDTF_DATE = r"(?:\d{4}|[\dX]{4})(?:-(?:0[1-9]|1[0-2]|XX)(?:-(?:0[1-9]|[12]\d|3[01]|XX))?)?[?~%]?"
_EDTF_TIME = (
    r"\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"
    r"T(?:[01]\d|2[0-3]):[0-5]\d(?::(?:[0-5]\d|60)(?:[.,]\d+)?)?(?:Z|[+-](?:[01]\d|2[0-3])(?::?[0-5]\d)?)?"
)
_POINT = f"(?:{_EDTF_TIME}|{_EDTF_DATE})"
DATE_PATTERN = re.compile(rf"{_POINT}(?:/(?:{_POINT}|\.\.)?)?|(?:\.\.)?/{_POINT}")
UNKNOWN_DATE = "XXXX"  # EDTF (ISO 8601-2): a year nobody knows


_FULL_DAY = re.compile(r"(?<![\dX])(\d{4})-(\d\d)-(\d\d)(?!\d)")


def is_date(text: str) -> bool:
    """Whether text is a date, a time or an interval as PREMIS recommends (ISO 8601, EDTF), with days that
    are in the calendar."""
    if DATE_PATTERN.fullmatch(text) is None:
        return False
    days = (tuple(map(int, found.groups())) for found in _FULL_DAY.finditer(text))
    return all(day <= monthrange(year or 4, month)[1] for year, month, day in days)


def is_backwards(text: str) -> bool:
    """Whether text is an interval that ends before it begins. Only where both ends are whole days, or both
    are times with a zone: anything vaguer is not judged."""
    first, _, last = text.partition("/")
    try:
        start, end = datetime.fromisoformat(first), datetime.fromisoformat(last)
    except ValueError:
        return False
    alike = (start.tzinfo is None) == (end.tzinfo is None) and ("T" in first) == ("T" in last)
    return alike and (start.tzinfo is not None or "T" not in first) and end < start


def el(name: str, *children: Node | Raw | str | None, **attrib: str) -> Node:
    """A PREMIS element; children that are None are left out."""
    return Node(f"{{{PREMIS}}}{name}", attrib, tuple(c for c in children if c is not None))


def text(name: str, value: object | None) -> Node | None:
    """A PREMIS element with text; None when there is nothing to say."""
    return None if value is None or value == "" else el(name, str(value))


def term(name: str, label: str) -> Node:
    """A PREMIS element whose value comes from its controlled list, or is one of our own words."""
    vocabulary = VOCABULARY_OF[name]
    code = VOCABULARIES[vocabulary].get(label)
    if code is None:
        return el(name, label)
    base = AUTHORITY + vocabulary
    return el(name, label, authority=vocabulary, authorityURI=base, valueURI=f"{base}/{code}")


def identifier(prefix: str, value: str, *extra: Node | None, kind: str = ID_TYPE) -> Node:
    """`<prefixIdentifier>` with its type and value, e.g. prefix `linkingAgent`."""
    return el(
        f"{prefix}Identifier",
        el(f"{prefix}IdentifierType", kind),
        el(f"{prefix}IdentifierValue", value),
        *extra,
    )
