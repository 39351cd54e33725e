"""Rules of the job: what can be wrong with a row, a cell, or a job as a whole, before anything is packed."""

from __future__ import annotations

from provpack.edge.input_rules import INPUT_RULES
from provpack.findings import Rule

DOMAIN = "domain note, section"

# --- one cell -------------------------------------------------------------------------------------------
CELL_ERROR = Rule(
    id="row-spreadsheet-error",
    severity="error",
    title="a formula of the spreadsheet failed",
    todo="Type the value itself; in a spreadsheet, repair the formula and export it again.",
)
CELL_NAN = Rule(
    id="row-not-a-number",
    severity="error",
    title="a program wrote its word for 'no value'",
    todo="Leave it empty, or write unknown, not_observed or not_fitted where the field allows it.",
)
CELL_COMMA = Rule(
    id="row-decimal-comma",
    severity="error",
    title="a number is written with a decimal comma or with grouped digits",
    todo="Write the number with a decimal point and without grouping.",
)
CELL_SCIENTIFIC = Rule(
    id="row-scientific",
    severity="error",
    title="the spreadsheet has shortened a long number",
    todo="Type the value again, in a spreadsheet as text: the lost digits are not in this file.",
)
CELL_APOSTROPHE = Rule(
    id="row-apostrophe",
    severity="error",
    title="a spreadsheet's text mark came out with the value",
    todo="Remove the apostrophe at the start.",
)
CELL_SPACE = Rule(
    id="row-hidden-space",
    severity="error",
    title="a cell holds a space that does not look like one",
    todo="Replace non-breaking, zero-width or other special spaces by plain ones, or remove them.",
)
CELL_QUOTE = Rule(
    id="row-smart-quote",
    severity="error",
    title="a typographic quotation mark stands where none belongs",
    todo="Remove it, or type a straight one.",
)
CELL_NUMBER = Rule(
    id="row-number",
    severity="error",
    title="a number cannot be read",
    todo="Write digits only, with a decimal point where the field allows one; leave units out.",
)
CELL_DATE_ORDER = Rule(
    id="row-date-order",
    severity="error",
    title="a date does not say what is day and what is month",
    todo="Write dates as YYYY-MM-DD.",
    reference="ISO 8601-1",
)
CELL_DATE = Rule(
    id="row-date",
    severity="error",
    title="a date or time cannot be read",
    todo="Write YYYY-MM-DD, and times as YYYY-MM-DDThh:mm:ss+hh:mm.",
    reference="ISO 8601-1",
)
CELL_DAY_NUMBER = Rule(
    id="row-day-number",
    severity="error",
    title="a date came out as the spreadsheet's day count",
    todo="Write dates as YYYY-MM-DD, in a spreadsheet as text.",
)
CELL_OFFSET = Rule(
    id="row-time-offset",
    severity="error",
    title="a time has no offset from UTC",
    todo="Add Z, or the offset that the clock on the wall had, for example +02:00.",
    reference="RFC 3339 section 5.6",
)
CELL_VOCABULARY = Rule(
    id="row-vocabulary",
    severity="error",
    title="a word is not in the vocabulary of its field",
    todo="Use one of the words listed; unknown, not_observed and not_fitted are answers too.",
)
CELL_FREQUENCY = Rule(
    id="row-frequency",
    severity="error",
    title="a sampling frequency is not exact",
    todo="Write it as a whole number of hertz or as a fraction: 44100, or 44100000/1001.",
    reference=f"{DOMAIN} 1.4",
)
CELL_POSITION = Rule(
    id="row-position",
    severity="error",
    title="a position in the audio cannot be read",
    todo="Write sample frames as a whole number, or a time as h:mm:ss or h:mm:ss.fff.",
)
CELL_POSITION_RATE = Rule(
    id="row-position-rate",
    severity="error",
    title="a time cannot be turned into frames without the sampling frequency",
    todo="Declare sampling_frequency or line_standard, or give the position in frames.",
    reference=f"{DOMAIN} 8.1",
)
CELL_MOJIBAKE = Rule(
    id="row-mojibake",
    severity="warning",
    title="letters look as if they had been decoded wrongly",
    todo="Compare with the carrier and type the text again.",
)
CELL_LINE_BREAK = Rule(
    id="row-line-break",
    severity="error",
    title="a line break stands inside an identifier, a name or a word",
    todo="Write the value on one line.",
)
CELL_LIST = Rule(
    id="row-list",
    severity="error",
    title="a list of values cannot be read",
    todo="Separate values by |, and write [] for an empty list.",
)
CELL_SHEET_ONLY = Rule(
    id="row-table-in-cell",
    severity="error",
    title="a field with several columns of its own stands in one cell",
    todo="Put it into a sheet of its own, named after the field, with a transfer_id column.",
)

# --- the job as a whole ---------------------------------------------------------------------------------
KEY_UNKNOWN = Rule(
    id="job-key-unknown",
    severity="error",
    title="a key is not known here",
    todo="Correct the name, or leave it out.",
)
KEY_TYPE = Rule(
    id="job-key-type",
    severity="error",
    title="a key holds something of another kind than it should",
    todo="Write it as the job.toml that `provpack demo --only-job` makes does; schemas/job-sheet.schema.json "
    "has every key.",
)
SCHEMA = Rule(
    id="row-schema",
    severity="error",
    title="a value is not what the schema allows",
    todo="Correct the value.",
)
REQUIRED = Rule(
    id="row-required",
    severity="error",
    title="a required field is missing",
    todo="State it for the transfer, for its chain or in the defaults; unknown is an answer where the field "
    "has it.",
    reference=f"{DOMAIN} 8",
)
WAIVER_UNKNOWN = Rule(
    id="row-waiver-unknown",
    severity="warning",
    title="a waiver names a rule that does not exist, so it sets nothing aside",
    todo="Copy the rule's name from the end of its finding.",
)
NO_TRANSFERS = Rule(
    id="job-no-transfers",
    severity="error",
    title="the job has no transfers",
    todo="Add transfers.csv, or [[transfer]] tables in job.toml.",
)
TWO_SHEETS = Rule(
    id="job-two-sheets",
    severity="error",
    title="transfers stand in two places",
    todo="Keep either transfers.csv or the [[transfer]] tables.",
)
ID_MISSING = Rule(
    id="row-id-missing",
    severity="error",
    title="a row has no transfer_id",
    todo="Give every transfer an identifier of its own.",
)
ID_REPEATED = Rule(
    id="row-id-repeated",
    severity="error",
    title="two rows have the same transfer_id",
    todo="Give every transfer an identifier of its own.",
    reference=f"{DOMAIN} 5 step 13",
)
ITEM_TWO_CARRIERS = Rule(
    id="row-item-carriers",
    severity="error",
    title="one client_item_id stands on different carriers",
    todo="Correct the identifier; if the item runs over several carriers, list them in source_items.",
    reference=f"{DOMAIN} 5, awkward case 2",
)
CHAIN_UNKNOWN = Rule(
    id="row-chain-unknown",
    severity="error",
    title="a transfer names a chain that the job does not have",
    todo="Add a chain of that name, or correct the name.",
)
CHAIN_REPEATED = Rule(
    id="job-chain-repeated",
    severity="error",
    title="two chains or two pieces of equipment have the same id",
    todo="Give each an id of its own.",
)
COMPANION_ORPHAN = Rule(
    id="row-orphan",
    severity="error",
    title="a companion sheet names a transfer that is not in the job",
    todo="Correct the transfer_id.",
)
COMPANION_TWICE = Rule(
    id="row-list-twice",
    severity="error",
    title="a list is given in a companion sheet and in the transfer itself",
    todo="Keep one of the two.",
)
SHEET_UNUSED = Rule(
    id="job-sheet-unused",
    severity="warning",
    title="a table in the job folder is not read",
    todo="Rename it after the field it holds if it is part of the job, else ignore this.",
)

# --- equipment ------------------------------------------------------------------------------------------
EQUIPMENT_UNKNOWN = Rule(
    id="row-equipment-unknown",
    severity="error",
    title="an equipment id is not in the register",
    todo="Add the equipment to the register, or correct the id.",
)
EQUIPMENT_KIND = Rule(
    id="row-equipment-kind",
    severity="error",
    title="an equipment id names equipment of another kind",
    todo="Correct the id: it was most likely swapped with another one.",
)
EQUIPMENT_SERIAL = Rule(
    id="job-equipment-serial",
    severity="error",
    title="equipment that was used has no serial number",
    todo="Write the serial number into the register, or 'none visible'.",
    reference=f"{DOMAIN} 8 field 25",
)
EQUIPMENT_DIFFERS = Rule(
    id="row-equipment-differs",
    severity="error",
    title="a transfer and the equipment register disagree about the same thing",
    todo="Find out which is right and correct the other.",
)
CHECK_BEFORE_SERVICE = Rule(
    id="row-chain-check-service",
    severity="warning",
    title="the chain was not checked after a service",
    todo="Check the chain with a test tape and note the check in the register.",
    reference=f"{DOMAIN} 8.2 rule 30",
)
CHECK_UNKNOWN = Rule(
    id="row-chain-check-unknown",
    severity="error",
    title="a chain check is named that the register does not have for this chain",
    todo="Enter the check in the register at a machine of this chain, correct the id, or write none "
    "(never tested) or unknown.",
    reference=f"{DOMAIN} 8 field 49",
)
CHECK_FAILED = Rule(
    id="row-chain-check-failed",
    severity="error",
    title="the chain check named had failed",
    todo="Name the last check passed before the transfer, or write none; look at the transfer again.",
    reference=f"{DOMAIN} 8 field 49",
)
CHECK_FAILED_SINCE = Rule(
    id="row-chain-check-failed-since",
    severity="warning",
    title="the chain failed a check between the one named and the pass",
    todo="Enter the repair and the passed check that followed, or have the transfer examined.",
    reference=f"{DOMAIN} 8 field 49, 8.2 rule 29",
)

# --- passes ---------------------------------------------------------------------------------------------
PASS_LENGTH = Rule(
    id="row-pass-length",
    severity="warning",
    title="the pass and its file are not equally long",
    todo="Check that the file belongs to this transfer, and the clock times.",
    reference=f"{DOMAIN} 5 step 8",
)
PASSES_CROSSED = Rule(
    id="row-chains-crossed",
    severity="error",
    title="two transfers use the same deck or capture input at the same time",
    todo="One of the two names the wrong chain or the wrong time: find out before anything is packed.",
    reference=f"{DOMAIN} 8.2 rule 21",
)
PASS_FUTURE = Rule(
    id="row-pass-future",
    severity="error",
    title="a pass lies in the future",
    todo="Correct the date or the time, the offset from UTC included.",
)

PASS_UNTIMED = Rule(
    id="row-pass-untimed",
    severity="warning",
    title="a pass has no time of start",
    todo="Write when it began, with the offset from UTC: without it crossed chains and fault notices cannot "
    "be looked for, and the time reference in the file stays 0. Leave it empty only if nobody knows.",
    reference=f"{DOMAIN} 5 step 8",
)

# --- files ----------------------------------------------------------------------------------------------
FILE_NONE = Rule(
    id="row-file-none",
    severity="error",
    title="a transfer names no audio file",
    todo="Name its file, or say by the outcome no_pcm_found or failed that there is none.",
)
FILE_TWICE = Rule(
    id="row-file-twice",
    severity="error",
    title="one audio file is named by two transfers",
    todo="Give each transfer its own file: most likely one of the two names is wrong.",
    reference=f"{DOMAIN} 5 step 8",
)
FILE_TWINS = Rule(
    id="job-file-twins",
    severity="warning",
    title="two file names differ only in upper and lower case, or in how accents are composed",
    todo="Rename one: on many disks the two cannot stand in one folder.",
)
FILE_EMPTY = Rule(
    id="row-file-empty",
    severity="error",
    title="a file that is named is empty",
    todo="Copy the file again from where it was captured.",
)
FILE_UNREADABLE = Rule(
    id="row-file-unreadable",
    severity="error",
    title="a file that is named cannot be read",
    todo="Check permissions and the disk.",
)
FILE_UNNAMED = Rule(
    id="job-file-unnamed",
    severity="warning",
    title="a WAV file in the job folder is named by no transfer",
    todo="Name it in its transfer, or move it out of the job folder.",
)
FILE_RATE = Rule(
    id="row-file-rate",
    severity="error",
    title="the file's header states another sampling frequency than is declared",
    todo="Correct header_sampling_frequency_hz, or find the right file.",
    reference=f"{DOMAIN} 8 field 51",
)
FILE_CHANNELS = Rule(
    id="row-file-channels",
    severity="error",
    title="the number of channels does not fit channel_use",
    todo="Correct channel_use, or find the right file.",
    reference=f"{DOMAIN} 7",
)
FILE_BITS = Rule(
    id="row-file-bits",
    severity="error",
    title="the word length of the file is not the one declared",
    todo="Correct capture_word_length, or find the right file.",
    reference=f"{DOMAIN} 8 field 48",
)
NAME_COLLISION = Rule(
    id="row-package-name",
    severity="error",
    title="two transfers would make packages of the same name",
    todo="Change one transfer_id by more than case, accents or punctuation.",
)

RULES: tuple[Rule, ...] = (*INPUT_RULES, *(v for v in list(globals().values()) if isinstance(v, Rule)))
