"""What can be found wrong with a WAVE file and its metadata chunks. Rule ids are stable for ever."""

from __future__ import annotations

from provpack.findings import Rule

_RIFF = "RIFF/WAVE 1991, RIFF and WAVE chapters"
_RF64 = "EBU Tech 3306 v1.1 Annex A; ITU-R BS.2088-2"
_BEXT = "EBU Tech 3285 v2, 2.3"
_R98 = "EBU R 98-1999"

_AGAIN = "Transfer again, or ask for a complete copy."
_KEEP = "Nothing to do: it is read as described, and a file written here has it right."
_LOOK = "Compare with the received file's origin; a file written here has it right."

NOT_RIFF = Rule(
    id="wav-not-wave", severity="error", title="The file is not a WAVE file", reference=_RIFF,
    todo="Hand in a RIFF, RF64 or BW64 WAVE file.",
)  # fmt: skip
RIFX = Rule(
    id="wav-big-endian", severity="error", title="Big-endian RIFX file", reference=_RIFF,
    todo="Convert it to a little-endian RIFF WAVE file with a general audio tool, and record that step.",
)  # fmt: skip
OTHER_CONTAINER = Rule(
    id="wav-other-container", severity="note", title="Another audio container",
    todo="Only what is told here can be told; decode it to WAVE for the full picture.",
)  # fmt: skip
CONTAINER_UNREADABLE = Rule(
    id="wav-other-container-unreadable", severity="error",
    title="Another audio container that cannot be read",
    todo="Test the file with its own decoder, or ask for a good copy.",
)  # fmt: skip
SEGMENTED = Rule(
    id="wav-segmented", severity="error", title="Segmented audio (LIST wavl)", reference=_RIFF,
    todo="Convert it to one continuous data chunk with a tool that reads such lists, and record that step.",
)  # fmt: skip

RIFF_SIZE_UNSET = Rule(
    id="wav-riff-size-unset", severity="warning", title="RIFF size never filled in", reference=_RIFF,
    todo="The program that wrote it was interrupted, or never went back to fill it in: compare the length "
    "with its log.",
)  # fmt: skip
RIFF_SIZE_WRONG = Rule(
    id="wav-riff-size-wrong", severity="warning", title="RIFF size disagrees with the file",
    reference=_RIFF, todo=_LOOK,
)  # fmt: skip
TRAILING = Rule(
    id="wav-trailing-bytes", severity="warning", title="Bytes after the last chunk", reference=_RIFF,
    todo="Look at them before the received file is discarded: they are not carried into a new file.",
)  # fmt: skip
ID_UNREADABLE = Rule(
    id="wav-chunk-id-unreadable", severity="warning", title="No chunk where one must start",
    reference=_RIFF, todo="Everything from there on is unexplained and not carried over: look at it first.",
)  # fmt: skip
CHUNK_CUT = Rule(
    id="wav-chunk-cut-short", severity="warning", title="A chunk ends before its size says",
    reference=_RIFF, todo="The file is incomplete: " + _AGAIN[0].lower() + _AGAIN[1:],
)  # fmt: skip
DATA_CUT = Rule(
    id="wav-data-cut-short", severity="error", title="The audio ends before its size says",
    reference=_RIFF,
    todo="The capture was cut short: transfer again, or wrap it as incomplete with a reason.",
)  # fmt: skip
DATA_STREAMED = Rule(
    id="wav-data-size-unset", severity="warning", title="Audio size never filled in", reference=_RIFF,
    todo="The program that wrote it never went back to fill it in: the audio is taken to reach the end of "
    "the file; compare with its log.",
)  # fmt: skip
INTERRUPTED = Rule(
    id="wav-interrupted", severity="error", title="Interrupted recording: the audio size is 0",
    reference=_RIFF,
    todo="Transfer again; or recover the audio with a tool made for it and record that step.",
)  # fmt: skip
DATA_EMPTY = Rule(
    id="wav-data-empty", severity="error", title="The audio chunk is empty", reference=_RIFF, todo=_AGAIN,
)  # fmt: skip
DATA_PARTIAL = Rule(
    id="wav-data-partial-frame", severity="warning", title="The audio does not end on a whole frame",
    reference=_RIFF, todo="The odd bytes are left out of the audio; look whether the capture was cut short.",
)  # fmt: skip
NO_DATA = Rule(
    id="wav-no-data", severity="error", title="No data chunk", reference=_RIFF, todo=_AGAIN,
)  # fmt: skip
NO_FMT = Rule(
    id="wav-no-fmt", severity="error", title="No fmt chunk", reference=_RIFF,
    todo="Without it nobody can know rate, word length or channels: " + _AGAIN[0].lower() + _AGAIN[1:],
)  # fmt: skip
SEVERAL_DATA = Rule(
    id="wav-several-data", severity="warning", title="Several data chunks", reference=_RIFF,
    todo="Only the first is taken as the audio; the others are kept as chunks. Listen to both.",
)  # fmt: skip
SEVERAL_FMT = Rule(
    id="wav-several-fmt", severity="warning", title="Several fmt chunks", reference=_RIFF,
    todo="The first is used; make sure it describes the audio.",
)  # fmt: skip
FMT_AFTER_DATA = Rule(
    id="wav-fmt-after-data", severity="warning", title="fmt stands after data", reference=_RIFF,
    todo=_KEEP,
)  # fmt: skip
TOO_MANY = Rule(
    id="wav-too-many-chunks", severity="error", title="More chunks than are read",
    todo="No real file needs so many: the file is damaged or hostile; ask for a good copy.",
)  # fmt: skip

PAD_MISSING = Rule(
    id="wav-pad-missing", severity="warning", title="Pad byte missing after an odd-sized chunk",
    reference=_RIFF, todo=_KEEP,
)  # fmt: skip
PAD_NOT_ZERO = Rule(
    id="wav-pad-not-zero", severity="note", title="Pad byte is not zero", reference=_RIFF, todo=_KEEP,
)  # fmt: skip
LOWER_CASE = Rule(
    id="wav-lower-case-id", severity="note", title="A known chunk id in lower case", reference=_RIFF,
    todo="It is treated as an unknown chunk and carried over untouched.",
)  # fmt: skip

NO_DS64 = Rule(
    id="wav-ds64-missing", severity="warning", title="RF64 or BW64 without ds64", reference=_RF64,
    todo="The audio is taken to reach the end of the file where its size is not given; compare the length.",
)  # fmt: skip
DS64_LATE = Rule(
    id="wav-ds64-not-first", severity="warning", title="ds64 is not the first chunk", reference=_RF64,
    todo=_KEEP,
)  # fmt: skip
DS64_BAD = Rule(
    id="wav-ds64-malformed", severity="warning", title="ds64 is too short or its table does not fit",
    reference=_RF64, todo=_LOOK,
)  # fmt: skip
DS64_UNUSED = Rule(
    id="wav-real-size-in-rf64", severity="note", title="Real 32-bit sizes in an RF64 or BW64 file",
    reference=_RF64, todo=_KEEP,
)  # fmt: skip
DS64_DIFFERS = Rule(
    id="wav-ds64-size-differs", severity="warning", title="ds64 and the data chunk disagree on the size",
    reference=_RF64, todo="Compare the length with the log of the capture.",
)  # fmt: skip
SAMPLE_COUNT = Rule(
    id="wav-sample-count-wrong", severity="warning", title="ds64 sample count disagrees with the audio size",
    reference=_RF64, todo="The size in bytes is believed; compare the length with the log of the capture.",
)  # fmt: skip
FACT_DIFFERS = Rule(
    id="wav-fact-differs", severity="note", title="fact disagrees with the audio size", reference=_RIFF,
    todo="The size in bytes is believed; compare the length with the log of the capture.",
)  # fmt: skip

FMT_SHORT = Rule(
    id="wav-fmt-too-short", severity="error", title="fmt is shorter than 16 bytes", reference=_RIFF,
    todo=_AGAIN,
)  # fmt: skip
FMT_IMPOSSIBLE = Rule(
    id="wav-fmt-impossible", severity="error", title="fmt states something impossible", reference=_RIFF,
    todo="The header is damaged: " + _AGAIN[0].lower() + _AGAIN[1:],
)  # fmt: skip
FMT_UNSUPPORTED = Rule(
    id="wav-fmt-unsupported", severity="error", title="An encoding that is not worked with here",
    todo="Decode it to 8- to 32-bit PCM or 32/64-bit float with a general tool, and record that step.",
)  # fmt: skip
FMT_UNUSUAL = Rule(
    id="wav-fmt-unusual", severity="warning", title="fmt states something hard to believe",
    todo="Compare with the capture settings.",
)  # fmt: skip
FMT_TAIL = Rule(
    id="wav-fmt-tail", severity="note", title="fmt has more bytes than its encoding needs",
    reference=_RIFF, todo="They are ignored, and kept when the chunk is copied.",
)  # fmt: skip
BLOCK_ALIGN = Rule(
    id="wav-block-align-wrong", severity="warning", title="Block align disagrees with channels and bits",
    reference=_RIFF, todo="Channels times whole bytes per sample is believed; listen before you wrap it.",
)  # fmt: skip
BYTE_RATE = Rule(
    id="wav-byte-rate-wrong", severity="note", title="Average byte rate disagrees with rate and block size",
    reference=_RIFF, todo="Harmless in PCM; nothing to do.",
)  # fmt: skip
VALID_BITS = Rule(
    id="wav-valid-bits-wrong", severity="warning", title="More valid bits than the container holds",
    reference=_RIFF, todo="The container size is believed; compare with the capture settings.",
)  # fmt: skip

CHUNK_LARGE = Rule(
    id="wav-metadata-too-large", severity="warning", title="A metadata chunk larger than is read",
    todo="It is kept as received but not decoded; look at it with a tool made for large files.",
)  # fmt: skip
SEVERAL_META = Rule(
    id="wav-several-of-one-kind", severity="warning", title="Several chunks of a kind that may occur once",
    todo="All are listed and none is merged; decide which one tells the truth.",
)  # fmt: skip
TEXT_NOT_ASCII = Rule(
    id="wav-text-not-ascii", severity="note", title="Text outside ASCII",
    todo="Programs disagree on such text; it is read as UTF-8 where valid, else as code page 1252.",
)  # fmt: skip
LIST_BAD = Rule(
    id="wav-list-malformed", severity="warning", title="A LIST chunk that does not add up", reference=_RIFF,
    todo="What could be read is listed; the rest is kept as received.",
)  # fmt: skip
CUE_BAD = Rule(
    id="wav-cue-malformed", severity="warning", title="Markers that do not add up", reference=_RIFF,
    todo="What could be read is listed; compare with the program that set the markers.",
)  # fmt: skip
CHNA_BAD = Rule(
    id="wav-chna-malformed", severity="warning", title="chna does not add up",
    reference="ITU-R BS.2088-2, 8", todo="What could be read is listed; the chunk is carried over untouched.",
)  # fmt: skip
XML_BAD = Rule(
    id="wav-xml-unreadable", severity="warning", title="An XML chunk that cannot be read",
    reference="EBU Tech 3285 supplement 5", todo="It is kept as received; ask its writer for a good copy.",
)  # fmt: skip
IXML_DIFFERS = Rule(
    id="wav-ixml-differs", severity="warning", title="iXML and bext disagree",
    reference="iXML specification, BEXT object", todo="bext is believed; decide which one tells the truth.",
)  # fmt: skip

BEXT_SHORT = Rule(
    id="wav-bext-too-short", severity="warning", title="bext is shorter than 602 bytes", reference=_BEXT,
    todo="Its text is not relied on; ask for the values in another way.",
)  # fmt: skip
BEXT_VERSION = Rule(
    id="wav-bext-version", severity="note", title="bext of a version not known here", reference=_BEXT,
    todo="It is read as version 2; later versions are made to be compatible.",
)  # fmt: skip
BEXT_DATE = Rule(
    id="wav-bext-date", severity="warning", title="Date or time in bext is not one", reference=_BEXT,
    todo="It is kept as it stands; take the date from the log of the transfer.",
)  # fmt: skip
BEXT_AFTER_NUL = Rule(
    id="wav-bext-stray-bytes", severity="note", title="Undefined bytes in bext", reference=_BEXT,
    todo="They are ignored: readers stop at the first NUL.",
)  # fmt: skip
UMID_BAD = Rule(
    id="wav-umid-invalid", severity="note", title="UMID without its universal label",
    reference="SMPTE ST 330", todo="It is treated as no UMID.",
)  # fmt: skip
LOUDNESS_BAD = Rule(
    id="wav-loudness-invalid", severity="warning", title="Loudness value out of range", reference=_BEXT,
    todo="It is treated as not measured.",
)  # fmt: skip
LOUDNESS_ZERO = Rule(
    id="wav-loudness-all-zero", severity="warning", title="All five loudness values are 0.00",
    reference=_BEXT, todo="It is treated as not measured: some writers leave zeros where 7FFFh is meant.",
)  # fmt: skip
TIME_BEYOND_DAY = Rule(
    id="wav-time-reference-beyond-day", severity="note", title="Time reference past midnight",
    reference=_BEXT, todo="It is kept as it stands; it counts frames since midnight.",
)  # fmt: skip
HISTORY_ENDS = Rule(
    id="wav-history-line-ends", severity="note", title="Coding history rows not ended by CR LF",
    reference=_BEXT, todo="Nothing to do: rows are read at CR, LF or both.",
)  # fmt: skip
HISTORY_ROW = Rule(
    id="wav-history-row-unusual", severity="note", title="A coding history row outside the usual form",
    reference=_R98, todo="Every part of it is kept; read it yourself.",
)  # fmt: skip
HISTORY_RATE = Rule(
    id="wav-history-frequency-differs", severity="warning",
    title="The last coding history row and fmt disagree on the sampling frequency", reference=_R98,
    todo="The last row describes the file as it is [common practice]: find out which of the two is true.",
)  # fmt: skip

RULES: tuple[Rule, ...] = tuple(v for v in list(vars().values()) if isinstance(v, Rule))

STRUCTURE: frozenset[str] = frozenset(
    r.id
    for r in (
        NOT_RIFF, RIFX, SEGMENTED, RIFF_SIZE_UNSET, RIFF_SIZE_WRONG, TRAILING, ID_UNREADABLE, CHUNK_CUT,
        DATA_CUT, DATA_STREAMED, INTERRUPTED, DATA_EMPTY, DATA_PARTIAL, NO_DATA, NO_FMT, FMT_AFTER_DATA,
        TOO_MANY, PAD_MISSING, PAD_NOT_ZERO, NO_DS64, DS64_LATE, DS64_BAD, DS64_UNUSED, DS64_DIFFERS,
        SAMPLE_COUNT,
    )
)  # fmt: skip
"""Rules a file we wrote must never break, whatever chunks it carries over from the received one."""
