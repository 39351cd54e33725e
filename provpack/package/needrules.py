"""Rules `need-`: what a client's requirements file (schemas/client-requirements.schema.json) asks for."""

from __future__ import annotations

from provpack.findings import Rule

_ROW = "Fill in the row, its chain or the defaults; or agree with the client, and change the requirements."
_MEND = "Correct the requirements file; nothing of it is guessed."
AGAIN = "Have the package made anew so that it does, or agree with the client on other requirements."

# --- the file itself -----------------------------------------------------------------------------------

FILE_UNREADABLE = Rule(
    id="need-file-unreadable",
    severity="error",
    title="A file with a client's requirements cannot be read",
    todo="Look whether it is the right file, and complete JSON.",
    reference="RFC 8259",
)
FILE_INVALID = Rule(
    id="need-file-invalid",
    severity="error",
    title="A file with a client's requirements does not have the form it must have",
    todo=_MEND,
    reference="schemas/client-requirements.schema.json",
)
FIELD_NAME = Rule(
    id="need-field-name",
    severity="error",
    title="A client's requirements name a field that no record has",
    todo=_MEND,
    reference="schemas/transfer-record.schema.json",
)
PLACEHOLDER = Rule(
    id="need-placeholder",
    severity="error",
    title="A client's requirements use a placeholder that is none",
    todo="Write {client_item_id}, {carrier_id}, {transfer_id}, {job_id} or {title}; no other braces.",
)
PROFILE_DISAGREES = Rule(
    id="need-profile-disagrees",
    severity="error",
    title="A client's requirements and the BagIt profile beside them cannot both be met",
    todo="Ask the client which of the two holds, and correct the other.",
)
TWO_FILES = Rule(
    id="need-two-files",
    severity="error",
    title="Two files give requirements of one client",
    todo="Keep one of them in client_profiles.",
)
NO_FILE = Rule(
    id="need-no-file",
    severity="note",
    title="A client of the job has no requirements",
    todo="Nothing, if the client has none. Otherwise name the file in client_profiles; names must be equal.",
)
NOT_IN_JOB = Rule(
    id="need-client-not-in-job",
    severity="warning",
    title="Requirements are named for a client of whom the job has no transfer",
    todo="See whether the client's name is spelled alike in both; otherwise take the file out.",
)

# --- seen from the sheets ------------------------------------------------------------------------------

FIELD_MISSING = Rule(
    id="need-field-missing",
    severity="error",
    title="A field the client asks for is not filled in",
    todo=_ROW,
)
FIELD_UNKNOWN = Rule(
    id="need-field-unknown",
    severity="error",
    title="A field the client wants to be known is stated as unknown or not observed",
    todo="Find out, if that can be done. If not, ask the client, and set this rule aside with the answer: "
    "never fill in a guess.",
)
FIELD_SHORT = Rule(
    id="need-field-short",
    severity="error",
    title="A list the client asks for has fewer entries than wanted",
    todo=_ROW,
)
PACKAGE_NAME = Rule(
    id="need-package-name",
    severity="error",
    title="The package would not be named as the client asks",
    todo="The name is made of job_id and transfer_id: change them, or agree on another rule.",
)
ITEM_ID = Rule(
    id="need-item-id",
    severity="error",
    title="An item identifier does not look like one of this client's",
    todo="Compare it with the client's list; a slip of the pen is likely.",
)
DOCUMENT_MISSING = Rule(
    id="need-document-missing",
    severity="error",
    title="A kind of file the client asks for is not named for this transfer",
    todo="Name the file in the row (photos, documents), or agree with the client that there is none.",
)
PLACEHOLDER_EMPTY = Rule(
    id="need-placeholder-empty",
    severity="error",
    title="An element for bag-info.txt needs a field that is not filled in",
    todo=_ROW,
)
DERIVATIVE_UNKNOWN = Rule(
    id="need-derivative-unknown",
    severity="note",
    title="Nobody knows whether there is anything to remove, so no copy without it will be made",
    todo="Find out, if that can be done; tell the client otherwise. A copy made on a guess would be wrong.",
)
LATE_CHANNEL = Rule(
    id="need-late-channel",
    severity="warning",
    title="The client wants a copy without skew, for which the late channel must be named",
    todo="Give --late-channel when wrapping; it differs between decoders and is never guessed.",
)

# --- seen from the finished package --------------------------------------------------------------------

RECORD_MISSING = Rule(
    id="need-record-missing",
    severity="error",
    title="Whether the client's requirements are met cannot be told without the record",
    todo="Ask the sender for a package with its record, or check these requirements by hand.",
)
CLIENT_OTHER = Rule(
    id="need-client-other",
    severity="error",
    title="The package was made for another client than the requirements are of",
    todo="Check it against the requirements of the client it names.",
)
OTHER_FILE = Rule(
    id="need-other-version",
    severity="note",
    title="The package was made to another version of the requirements",
    todo="Nothing, if everything is met; otherwise see what has changed since.",
)
DERIVATIVE_MISSING = Rule(
    id="need-derivative-missing",
    severity="error",
    title="A copy the client asks for is not in the package",
    todo=AGAIN,
)
DERIVATIVE_CONTAINER = Rule(
    id="need-derivative-container",
    severity="error",
    title="A copy the client asks for is written as another kind of file than asked for",
    todo=AGAIN,
)
DIGEST_MISSING = Rule(
    id="need-digest-missing",
    severity="error",
    title="The package has no manifest with a digest algorithm the client asks for",
    todo=AGAIN,
)
FORM = Rule(
    id="need-form",
    severity="error",
    title="The package comes in a form the client does not accept",
    todo="Hand it over in one of the forms named: an archive can be unpacked, a folder packed.",
)
SIGNATURE_MISSING = Rule(
    id="need-signature-missing",
    severity="error",
    title="The client asks for a signature, and there is none",
    todo="Have the package signed by its maker; nothing in it has to change for that.",
)
NAMES_NOT_HELD_BACK = Rule(
    id="need-names-not-held-back",
    severity="error",
    title="The client asks that names be held back, and the record does not say that they were",
    todo=AGAIN,
)
BAG_INFO = Rule(
    id="need-bag-info",
    severity="error",
    title="bag-info.txt lacks an element the client asks for",
    todo=AGAIN,
)

NEED_RULES: tuple[Rule, ...] = (
    FILE_UNREADABLE, FILE_INVALID, FIELD_NAME, PLACEHOLDER, PROFILE_DISAGREES, TWO_FILES, NO_FILE,
    NOT_IN_JOB, FIELD_MISSING, FIELD_UNKNOWN, FIELD_SHORT, PACKAGE_NAME, ITEM_ID, DOCUMENT_MISSING,
    PLACEHOLDER_EMPTY, DERIVATIVE_UNKNOWN, LATE_CHANNEL, RECORD_MISSING, CLIENT_OTHER, OTHER_FILE,
    DERIVATIVE_MISSING, DERIVATIVE_CONTAINER, DIGEST_MISSING, FORM, SIGNATURE_MISSING,
    NAMES_NOT_HELD_BACK, BAG_INFO,
)  # fmt: skip
