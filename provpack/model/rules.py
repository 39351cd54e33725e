"""The rules a transfer record is judged by; "domain rule N" is the numbering of the project's domain note.

Severities follow that note (E = error, W = warning); the one departure is `rec-custody-open`, a note, because
a record is usually sealed before the carrier goes home: the ledger tells the end of it.
"""

from __future__ import annotations

from typing import Final

from provpack.findings import Rule, Severity

_ALL: list[Rule] = []


def _rule(ident: str, severity: Severity, title: str, todo: str, reference: str) -> Rule:
    rule = Rule(id=ident, severity=severity, title=title, todo=todo, reference=reference)
    _ALL.append(rule)
    return rule


# One rule per paragraph: id and severity, title, what to do, reference.
# fmt: off
REC_SCHEMA = _rule("rec-schema", "error",
    "The document breaks its schema",
    "Correct the field named; the schema says what it may hold.",
    "JSON Schema 2020-12")
RATE_525 = _rule("rec-rate-525-5994", "error",
    "A 525-line 59.94-field recording has another sampling frequency",
    "Write 44100000/1001 as sampling_frequency, or record the resample step that changed it.",
    "domain rule 1; EIAJ STC-007 arithmetic 245 x 3 x 60/1.001")
LABEL_525 = _rule("rec-rate-label-525-5994", "error",
    "The header of a 525-line transfer is not 44056 and nothing explains it",
    "Fill rate_label_note and record a relabel step (header 44100) or a resample step.",
    "domain rule 2")
RATE_625 = _rule("rec-rate-625-50", "error",
    "A 625-line recording is not at 44100 Hz",
    "Write 44100/1 as sampling_frequency and look at what the header says, or correct line_standard.",
    "domain rule 3; EIAJ arithmetic 294 x 3 x 50")
LABEL = _rule("rec-rate-label", "error",
    "The header says another sampling frequency and nothing explains it",
    "Correct sampling_frequency, or record the relabel or resample step that explains the header.",
    "domain rule 4")
STANDARD_525_60 = _rule("rec-line-standard-525-60", "error",
    "525 lines at 60.00 fields go with CD-master processors only",
    "Write 525_5994 as line_standard, or pcm16x0 as recording_format.",
    "domain rule 5")
BIT_DEPTH = _rule("rec-bit-depth", "error",
    "source_bit_depth does not fit the recording format",
    "Write the word length the format has: eiaj_14 14, ext_16 16, pcm1_13 13.",
    "domain rule 6")
BITS_ABOVE = _rule("rec-effective-bits-above", "error",
    "The master uses more bits than the source has",
    "Find out whether the file was processed or decoded in the wrong mode; transfer again if it was.",
    "domain rule 7")
BITS_BELOW = _rule("rec-effective-bits-below", "warning",
    "The master uses fewer bits than the source has",
    "Check word length of decoder, interface and capture, or source_bit_depth.",
    "domain rule 7")
MODE_14 = _rule("rec-sixteen-bits-mode-14", "warning",
    "16 bits are in use although the decoder was set to 14",
    "Check decoder_mode and the recording format against the tape.",
    "domain rule 8")
PCM_FIELDS = _rule("rec-pcm-fields", "error",
    "Fields that a PCM recording on video tape needs are missing",
    "State the field; unknown, not_observed and not_fitted are honest answers where the schema has them.",
    "domain rule 9")
COMPENSATOR = _rule("rec-dropout-compensator", "error",
    "The dropout compensator was on during the pass",
    "Transfer again with the compensator off: it hides damage from the decoder.",
    "domain rule 10")
COMPENSATOR_UNKNOWN = _rule("rec-dropout-compensator-unknown", "warning",
    "Nobody knows whether the dropout compensator was off",
    "Look at the machine's switch (PCM ON = compensator OFF) and transfer again if it matters.",
    "domain rule 10")
PICTURE = _rule("rec-picture-processing", "error",
    "A circuit altered the picture signal that carries the data",
    "Transfer again with it off.",
    "domain rule 10")
PICTURE_UNKNOWN = _rule("rec-picture-processing-unknown", "warning",
    "Nobody knows whether picture processing was off",
    "Look at the machine's settings and transfer again if it matters.",
    "domain rule 10")
EVIDENCE = _rule("rec-emphasis-evidence", "error",
    "The state of emphasis rests on nothing but a hint in the audio",
    "Name better evidence (control_bit, indicator, channel_status, subcode, client_note) or write unknown.",
    "domain rule 11")
LAMP_AGAINST = _rule("rec-emphasis-indicator-against", "error",
    "The emphasis indicator says the opposite of tape_emphasis",
    "Find out which is right; where the indicator is known to be wrong, set this rule aside with the reason.",
    "domain note sections 2.2 and 3.5")
EVIDENCE_ABSENT = _rule("rec-emphasis-evidence-absent", "error",
    "Evidence for the state of emphasis is named, but what it rests on was not seen",
    "Remove that evidence, fill in what was seen, or write tape_emphasis unknown.",
    "domain note sections 2.2 and 3.5")
CS_NO_PROOF = _rule("rec-emphasis-channel-status-zero", "error",
    "Channel status 000 alone is taken as proof that there is no emphasis",
    "000 means none or not indicated: name other evidence, or write tape_emphasis unknown.",
    "domain note section 2.3; IEC 60958-3 channel status bits 3-5")
RANGES = _rule("rec-emphasis-ranges", "error",
    "The stretches of mixed emphasis do not cover the audio exactly",
    "List signal_state_ranges from frame 0 to the last frame, each beginning where the one before ends.",
    "domain rule 12")
REMOVED = _rule("rec-emphasis-removed", "error",
    "Emphasis is said to be removed, but not how, or in a master",
    "A master keeps emphasis: make a derivative with a deemphasis step (filter, sampling_frequency, "
    "input_sha256), or, for an analogue interface, record the step decoder_deemphasis.",
    "domain rule 13")
PRESENT = _rule("rec-emphasis-present", "error",
    "The file is said to carry emphasis the tape does not have",
    "Correct file_emphasis or tape_emphasis; if nobody knows, write unknown for both.",
    "domain rule 14")
FILE_GUESS = _rule("rec-emphasis-file-guess", "warning",
    "Emphasis of the tape is unknown, that of the file is not",
    "Write file_emphasis unknown, or say what tape_emphasis is and how that is known.",
    "domain rule 14")
TWICE = _rule("rec-deemphasis-twice", "error",
    "Emphasis is removed twice in one line of descent",
    "Go back to the master and remove emphasis once; twice is 9.5 dB too dull at 20 kHz.",
    "domain rule 15")
WHERE_OFF = _rule("rec-deemphasis-where-off", "error",
    "Emphasis is removed where there is none, or nobody knows",
    "Apply deemphasis only to stretches whose state is on.",
    "domain rule 15")
CS_SILENT = _rule("rec-channel-status-no-emphasis", "warning",
    "Channel status shows no emphasis although the tape has it",
    "Usual with digital output boards that send the same channel status for every tape: name the board in "
    "digital_output_revision.",
    "domain rule 16; IEC 60958-3 channel status bits 3-5")
CS_AGAINST = _rule("rec-channel-status-emphasis", "error",
    "Channel status shows emphasis, the record says the tape has none",
    "Check tape_emphasis, or explain the difference in cs_emphasis_note.",
    "domain rule 16; IEC 60958-3 channel status bits 3-5")
SRC = _rule("rec-src-in-master", "error",
    "A sample-rate converter was in the path of a master",
    "Transfer again with the converter off.",
    "domain rule 17")
SRC_UNKNOWN = _rule("rec-src-unknown", "warning",
    "Nobody knows whether a sample-rate converter was in the path",
    "Look at the capture device's settings.",
    "domain rule 17")
CLOCK = _rule("rec-clock-internal", "error",
    "A digital source was captured on the device's own clock",
    "Clock the capture from the source and transfer again: samples may be lost or doubled.",
    "domain rule 17")
ANALOGUE = _rule("rec-analogue-reason", "error",
    "A digital carrier was captured through an analogue interface without a reason",
    "Say why in interface_reason, for example that the decoder has no digital output.",
    "domain rule 18; IASA TC-04 5.5.7.4")
SKEW = _rule("rec-skew-derivative", "warning",
    "A derivative of a shared-converter recording does not say what became of the skew",
    "Record a deskew step, or say why not in shared_converter_note.",
    "domain rule 19; IASA TC-04 5.5.7.4")
DESKEW_MASTER = _rule("rec-deskew-in-master", "error",
    "The skew was corrected in a master",
    "Keep the master as read and correct a derivative.",
    "domain rule 19; IASA TC-03 8")
UNTOUCHED = _rule("rec-master-untouched", "error",
    "A step that changes samples made the master",
    "A master holds the samples as received: name the file a derivative, or give the step's own output.",
    "domain note 8.1; IASA TC-03 8")
TOO_LONG = _rule("rec-too-long", "error",
    "The audio is longer than the carrier can hold",
    "Check tape_speed_mode, carrier_nominal_minutes and the sampling frequency, or cut a capture that "
    "ran on.",
    "domain rule 20")
TOO_SHORT = _rule("rec-too-short", "warning",
    "The audio is very short for a complete transfer",
    "Check that the whole carrier was played, or write another outcome.",
    "domain rule 20")
EVENTS_ORDER = _rule("rec-events-order", "error",
    "Transfer events are not in order of position",
    "Sort the events by frame, or correct the frame that is out of order.",
    "domain rule 21")
EVENTS_OUTSIDE = _rule("rec-events-outside", "error",
    "A transfer event lies outside the audio",
    "Correct its frame; times are converted with the exact sampling frequency.",
    "domain rule 21")
PASS_TIMES = _rule("rec-pass-times", "error",
    "A pass stops before it starts",
    "Correct started_at or stopped_at, with their offsets from UTC.",
    "domain rule 21")
PASSES_OVERLAP = _rule("rec-passes-overlap", "error",
    "Two passes used one deck or one capture input at the same time",
    "Find out which chain made which file (serials, slates, lock states) before anything is sealed.",
    "domain rule 21")
SEGMENTS = _rule("rec-segment-outside", "error",
    "A stretch of the audio ends before it begins or lies outside the audio",
    "Correct start and end; end is the first frame after.",
    "domain note 8, field 8")
CUSTODY_MISSING = _rule("rec-custody-missing", "warning",
    "Nothing says when the carrier was received",
    "Add the receipt to custody_events.",
    "domain rule 22")
CUSTODY_ORDER = _rule("rec-custody-order", "error",
    "Receipt, condition report and first pass are not in that order",
    "Correct the dates; the carrier is received, then assessed, then played.",
    "domain rule 22")
NOT_ASSESSED = _rule("rec-condition-not-assessed", "warning",
    "The carrier was played without a dated condition report",
    "Add condition_assessed_at if a report exists.",
    "domain rule 22")
CONSENT = _rule("rec-treatment-consent", "error",
    "A treatment was begun without consent on record",
    "Record consent_by and consent_at, before the treatment began.",
    "domain rule 22")
CUSTODY_OPEN = _rule("rec-custody-open", "note",
    "A received item has not yet been returned, retained or destroyed",
    "Record the end of custody in the ledger when it comes.",
    "domain rule 22")
NOT_CLEAN = _rule("rec-clean-with-faults", "error",
    "The outcome is clean, but a fault was measured that nobody logged",
    "Listen there, add a transfer event, or write the outcome complete.",
    "domain rule 23")
ASSEMBLY_PASS = _rule("rec-assembly-pass", "error",
    "The assembly points at a pass or a range that does not exist",
    "Correct pass_n and the source range; source and target ranges have the same length.",
    "domain rule 24")
ASSEMBLY_TILES = _rule("rec-assembly-tiles", "error",
    "The assembly does not cover the file exactly",
    "List target ranges from frame 0 to the last frame, each beginning where the one before ends.",
    "domain rule 24")
PARENT = _rule("rec-derivative-parent", "error",
    "A derivative does not say what it was made from",
    "Give the digest of the file it was made from as `parent`.",
    "domain rule 25")
PARENT_UNKNOWN = _rule("rec-derivative-parent-unknown", "warning",
    "The parent of a derivative is not among the files of the record",
    "Check the digest; for a file made elsewhere, describe it in derived_from.",
    "domain rule 25")
MASTER_CHANGED = _rule("rec-master-changed", "error",
    "The master differs from the file handed in and no step says why",
    "Record the step metadata_modification or container_change.",
    "domain rule 25")
AUDIO_CHANGED = _rule("rec-audio-changed", "error",
    "One record_id stands for two different audios",
    "Give the new object a record_id of its own and name the old one in derived_from or supersedes.",
    "domain rule 25")
PILOT = _rule("rec-line-pilot", "warning",
    "A line-frequency tone speaks against the declared sampling frequency",
    "Check line_standard and the header; the tone may come from another set in the room.",
    "domain rule 26")
RIGHTS_UNKNOWN = _rule("rec-rights-unknown", "warning",
    "The basis of rights is unknown",
    "Ask the client before anything is handed to a third party.",
    "domain rule 27")
RIGHTS_MISSING = _rule("rec-rights-missing", "error",
    "A copy flag was found and no basis of rights is stated",
    "State rights_basis; whether copying is lawful is a question of local law for qualified people.",
    "domain rule 27")
SELF_APPROVAL = _rule("rec-self-approval", "warning",
    "Operator and quality control are the same person",
    "Let a second person listen, if there is one.",
    "domain rule 28")
CODEC = _rule("rec-codec-named", "error",
    "The coding history hides that the source was lossy",
    "Name the codec in coding_history and source_codec.",
    "domain rule 28; IASA TC-04 5.6.10")
SUSPECT = _rule("rec-equipment-suspect", "error",
    "A fault notice covers the time this equipment was used",
    "Add a suspect entry to equipment_status, and a cleared one when the transfer is found good.",
    "domain rule 29")
CHECK_OLD = _rule("rec-chain-check-old", "warning",
    "The chain was last tested more than 30 days before the pass",
    "Test the chain with the test tape.",
    "domain rule 30")
CHECK_AFTER = _rule("rec-chain-check-after", "error",
    "The chain check named as the last one passed came after the pass",
    "Name the last check passed before the pass, or write none.",
    "domain note section 8 field 49")
CHECK_SERVICE = _rule("rec-chain-check-before-service", "warning",
    "The chain was not tested after the last service of the deck",
    "Test the chain with the test tape.",
    "domain rule 30")
CHECK_MISSING = _rule("rec-chain-check-missing", "warning",
    "No test of the chain is on record",
    "Test the chain with the test tape.",
    "domain rule 30")
# fmt: on

RULES: Final[tuple[Rule, ...]] = tuple(_ALL)
"""All rules of this room."""
