"""The rules the text of a bag's tag files can break (`bag-...`).

References: RFC 8493 (BagIt 1.0). Older bags (0.93 to 0.97) are judged by the Internet-Draft of their time
where it differs; such a finding is then a warning.
"""

from __future__ import annotations

from provpack.findings import Rule

_ASK = "Ask whoever sent the bag for a corrected one; keep this one as received."

# --- structure and declaration -------------------------------------------------------------------------

NO_DECLARATION = Rule(
    id="bag-declaration-missing",
    severity="error",
    title="bagit.txt is missing",
    todo=_ASK,
    reference="RFC 8493 section 2.1.1",
)
DECLARATION = Rule(
    id="bag-declaration",
    severity="error",
    title="bagit.txt does not have the required two lines",
    todo=_ASK,
    reference="RFC 8493 section 2.1.1",
)
ENCODING_UNKNOWN = Rule(
    id="bag-encoding-unknown",
    severity="error",
    title="The declared encoding is no registered character set",
    todo=_ASK,
    reference="RFC 8493 section 2.1.1",
)
ENCODING_OLD = Rule(
    id="bag-encoding-not-utf8",
    severity="warning",
    title="The tag files are not in UTF-8",
    todo="They were read as declared; a bag made today should use UTF-8.",
    reference="RFC 8493 section 2.1.1",
)
NO_SUCH_VERSION = Rule(
    id="bag-version-undefined",
    severity="error",
    title="The declared BagIt version was never published",
    todo=_ASK,
    reference="RFC 8493 section 2.1.1",
)
NOT_DECODABLE = Rule(
    id="bag-text-encoding",
    severity="error",
    title="A tag file does not decode in the declared encoding",
    todo=_ASK,
    reference="RFC 8493 section 2.3",
)
BOM = Rule(
    id="bag-byte-order-mark",
    severity="error",
    title="A UTF-8 tag file starts with a byte order mark",
    todo=_ASK,
    reference="RFC 8493 sections 2.1.1 and 2.3",
)
NO_PAYLOAD_FOLDER = Rule(
    id="bag-payload-folder-missing",
    severity="error",
    title="There is no folder named data",
    todo=_ASK,
    reference="RFC 8493 section 2.1.2",
)
NO_MANIFEST = Rule(
    id="bag-payload-manifest-missing",
    severity="error",
    title="There is no payload manifest",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
LINK = Rule(
    id="bag-link",
    severity="error",
    title="A symbolic link stands where a file must be",
    todo="Links are never followed. Ask for a bag that holds the file itself.",
    reference="RFC 8493 section 5.1",
)
NOT_A_FILE = Rule(
    id="bag-not-a-regular-file",
    severity="error",
    title="Something that is no regular file is in the bag",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)

# --- manifests -----------------------------------------------------------------------------------------

MANIFEST_LINE = Rule(
    id="bag-manifest-line",
    severity="error",
    title="A manifest line is not 'checksum filepath'",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
CHECKSUM_FORM = Rule(
    id="bag-checksum-form",
    severity="error",
    title="A checksum is not a digest of its algorithm",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
ALGORITHM_NAME = Rule(
    id="bag-algorithm-name",
    severity="error",
    title="A manifest's name does not use the normalised algorithm",
    todo="The manifest was checked all the same; ask for a corrected name.",
    reference="RFC 8493 section 2.4",
)
PERCENT = Rule(
    id="bag-percent-encoding",
    severity="error",
    title="A path uses a percent sign that is not %25, %0A or %0D",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
LISTED_TWICE = Rule(
    id="bag-listed-twice",
    severity="error",
    title="A manifest lists one file more than once",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
PATH_UNSAFE = Rule(
    id="bag-path-unsafe",
    severity="error",
    title="A path points outside the bag",
    todo="Treat the bag with suspicion; nothing outside it was read.",
    reference="RFC 8493 section 5.1",
)
PATH_OUTSIDE_PAYLOAD = Rule(
    id="bag-path-outside-payload",
    severity="error",
    title="A payload path does not lie under data/",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
LISTS_FOLDER = Rule(
    id="bag-lists-folder",
    severity="error",
    title="A manifest lists a folder",
    todo=_ASK,
    reference="RFC 8493 section 2.1.3",
)
UNLISTED = Rule(
    id="bag-payload-unlisted",
    severity="error",
    title="A payload file is in no manifest",
    todo="Find out where the file came from; no digest vouches for it.",
    reference="RFC 8493 sections 2.1.3 and 3",
)
NOT_IN_EVERY = Rule(
    id="bag-not-in-every-manifest",
    severity="error",
    title="A payload file is not in every payload manifest",
    todo=_ASK,
    reference="RFC 8493 section 3",
)
TAG_LISTS_PAYLOAD = Rule(
    id="bag-tag-manifest-lists-payload",
    severity="error",
    title="A tag manifest lists a payload file",
    todo=_ASK,
    reference="RFC 8493 section 2.2.1",
)
TAG_LISTS_TAG_MANIFEST = Rule(
    id="bag-tag-manifest-lists-itself",
    severity="error",
    title="A tag manifest lists a tag manifest",
    todo=_ASK,
    reference="RFC 8493 section 2.2.1",
)
TAG_OMITS_MANIFEST = Rule(
    id="bag-tag-manifest-omits-manifest",
    severity="error",
    title="A tag manifest omits a payload manifest",
    todo=_ASK,
    reference="RFC 8493 section 2.2.1",
)

# --- bag-info.txt and fetch.txt ------------------------------------------------------------------------

INFO_LINE = Rule(
    id="bag-info-line",
    severity="error",
    title="A bag-info line is not 'Label: value'",
    todo=_ASK,
    reference="RFC 8493 section 2.2.2",
)
INFO_REPEATED = Rule(
    id="bag-info-repeated",
    severity="warning",
    title="A bag-info element is repeated that should not be",
    todo=_ASK,
    reference="RFC 8493 section 2.2.2",
)
INFO_VALUE = Rule(
    id="bag-info-value",
    severity="warning",
    title="A bag-info value does not have its recommended form",
    todo=_ASK,
    reference="RFC 8493 section 2.2.2",
)
OXUM_FORM = Rule(
    id="bag-oxum-form",
    severity="error",
    title="Payload-Oxum is not OctetCount.StreamCount",
    todo=_ASK,
    reference="RFC 8493 section 2.2.2",
)
FETCH_LINE = Rule(
    id="bag-fetch-line",
    severity="error",
    title="A fetch.txt line is not 'url length filepath'",
    todo=_ASK,
    reference="RFC 8493 section 2.2.3",
)
FETCH_URL = Rule(
    id="bag-fetch-url",
    severity="error",
    title="A fetch.txt line has no absolute URI",
    todo=_ASK,
    reference="RFC 8493 section 2.2.3",
)
FETCH_UNLISTED = Rule(
    id="bag-fetch-not-in-manifest",
    severity="error",
    title="A fetch.txt file is not in every payload manifest",
    todo=_ASK,
    reference="RFC 8493 section 2.2.3",
)
FETCH_LENGTH = Rule(
    id="bag-fetch-length",
    severity="error",
    title="A fetched file does not have the length fetch.txt says",
    todo="Compare with the source of the file.",
    reference="RFC 8493 section 2.2.3",
)
HAS_FETCH = Rule(
    id="bag-has-fetch",
    severity="note",
    title="The bag has a fetch.txt",
    todo="Nothing is fetched; the files it names were checked as they lie in the bag.",
    reference="RFC 8493 section 2.2.3",
)

ASTERISK = Rule(
    id="bag-md5sum-line",
    severity="warning",
    title="A manifest line has the mark of a checksum tool",
    todo="Strict readers refuse such lines: rewrite the manifest without the mark in a new bag.",
    reference="RFC 8493 section 6.1.3",
)
PATH_NOT_PLAIN = Rule(
    id="bag-path-not-plain",
    severity="warning",
    title="A path has a superfluous './' or '//'",
    todo="The plain path was checked; rewrite the manifest in a new bag.",
    reference="RFC 8493 section 2.1.3",
)
BLANK_LINE = Rule(
    id="bag-blank-line",
    severity="warning",
    title="A tag file has a blank line",
    todo=_ASK,
    reference="RFC 8493 section 2.2.2",
)

TEXT_RULES: tuple[Rule, ...] = tuple(value for value in list(globals().values()) if isinstance(value, Rule))
