"""What can be worth saying about several passes of one carrier, and about a master assembled from them."""

from __future__ import annotations

from provpack.findings import Rule

_NOTE_4 = "domain note 4, pass agreement"
_STEP_11 = "domain note 5 step 11; domain rule 24"

FILE_UNUSABLE = Rule(
    id="pass-file-unusable",
    severity="warning",
    title="The file of a pass cannot be compared with the others",
    todo="Name the WAV file the capture program wrote, or leave the file of this pass out.",
)
SAME_FILE = Rule(
    id="pass-same-file",
    severity="warning",
    title="Two passes name one file",
    todo="Each playback made a file of its own: mend the name, or leave out the pass that is none.",
)
NOT_LOOKED_AT = Rule(
    id="pass-not-compared",
    severity="warning",
    title="A pass was not compared",
    todo="Compare it by a check of its own: leave the files of the other passes out for that run.",
)
UNEXPLAINED = Rule(
    id="pass-file-unexplained",
    severity="warning",
    title="The file to be wrapped is that of no pass, and no assembly says what it was made of",
    todo="Name the file in the pass that made it; or give the assembly, and it is proven range by range.",
    reference=_STEP_11,
)
FORMAT = Rule(
    id="pass-format-differs",
    severity="warning",
    title="Two passes differ in channels or sample width, so no bit of them can be compared",
    todo="Look at the capture settings of both. Convert nothing for this: a converted file is no evidence.",
    reference=_NOTE_4,
)
HEADER_RATE = Rule(
    id="pass-header-rate",
    severity="warning",
    title="The headers of two passes state different sampling frequencies",
    todo="The samples were compared as they are. See which label is wrong; if the clocks really differed, "
    "say so with sampling_frequency in the pass.",
    reference="domain note 1.4",
)
IDENTICAL = Rule(
    id="pass-identical",
    severity="note",
    title="Two passes hold the same samples, bit for bit",
    todo="Nothing to do. Equal bits on two playbacks are the strongest evidence there is that nothing was "
    "concealed, save damage that both share and both conceal alike.",
    reference=_NOTE_4,
)
ALIGNED = Rule(
    id="pass-aligned",
    severity="note",
    title="Two passes hold common samples, and how they lie against each other",
    todo="Nothing to do: equal frames confirm each other. The places that differ are listed.",
    reference=_NOTE_4,
)
DIFFERS = Rule(
    id="pass-differs",
    severity="note",
    title="A stretch where two passes differ",
    todo="Listen to both there. Where an assembly is proposed or confirmed, its rows name the pass taken.",
    reference=_NOTE_4,
)
MORE_DIFFERENCES = Rule(
    id="pass-differs-more",
    severity="note",
    title="More stretches differ than are listed one by one",
    todo="The result of `check --json` has the proposed ranges of all of them.",
    reference=_NOTE_4,
)
UNDECIDED = Rule(
    id="pass-undecided",
    severity="warning",
    title="Stretches where nothing tells which pass is right",
    todo="Listen to both passes there. To take the other pass in one of them, change its row of the proposed "
    "assembly. Or make another pass: two playbacks that agree against a third decide it.",
    reference=_NOTE_4,
)
TOO_MANY = Rule(
    id="pass-too-many-differences",
    severity="warning",
    title="Two passes differ in too many places for an assembly to be proposed",
    todo="At least one playback was poor throughout. Clean the tape path, check tracking, play again.",
    reference=_NOTE_4,
)
EVERYWHERE = Rule(
    id="pass-differ-everywhere",
    severity="warning",
    title="Two passes carry the same sound but no, or hardly any, common samples",
    todo="Look for what stands in one chain only: an analogue link, a sampling-rate converter, a level "
    "control, dither. Two lossless passes of one tape agree bit for bit where both read it.",
    reference=_NOTE_4,
)
UNALIGNED = Rule(
    id="pass-not-aligned",
    severity="warning",
    title="Two passes have neither samples nor, as far as can be told, sound in common",
    todo="Make sure both are of the same carrier and side: listen to the beginnings of both.",
    reference=_NOTE_4,
)
BETTER = Rule(
    id="pass-file-not-best",
    severity="warning",
    title="The file to be wrapped looks damaged where another pass is sound",
    todo="Take the file name out of the transfer and put the proposed assembly into the sheet: provpack then "
    "makes the master from the sound frames of each pass. Or wrap it as it is; the passes are kept.",
    reference=_STEP_11,
)
PROPOSED = Rule(
    id="pass-assembly-proposed",
    severity="note",
    title="An assembly of the passes is proposed",
    todo="Listen at the joins. To confirm, put the rows that follow the findings into the sheet as they "
    "stand, and leave `file` of the transfer empty.",
    reference=_STEP_11,
)
BEST = Rule(
    id="pass-best-as-it-stands",
    severity="note",
    title="One pass is the best, and needs no frame of another",
    todo="Name its file as the file of the transfer. The other passes are kept beside it.",
    reference=_STEP_11,
)
ASSEMBLY_GAP = Rule(
    id="pass-assembly-gap",
    severity="error",
    title="The ranges of an assembly leave frames of the target out",
    todo="The first range starts at 0; each other one where the range before it ends.",
    reference=_STEP_11,
)
ASSEMBLY_OVERLAP = Rule(
    id="pass-assembly-overlap",
    severity="error",
    title="Two ranges of an assembly claim the same frames of the target",
    todo="Each range starts where the range before it ends.",
    reference=_STEP_11,
)
ASSEMBLY_LENGTH = Rule(
    id="pass-assembly-length",
    severity="error",
    title="A range of an assembly is empty, or as long in its source as it is not in the target",
    todo="Mend the four positions. Ends are the first frame after the range.",
    reference=_STEP_11,
)
ASSEMBLY_OUTSIDE = Rule(
    id="pass-assembly-outside",
    severity="error",
    title="A range of an assembly lies outside the file of its pass, or of the target",
    todo="Mend the positions, in sample frames from 0; `inspect` tells how many frames a file has.",
    reference=_STEP_11,
)
ASSEMBLY_DIFFERS = Rule(
    id="pass-assembly-differs",
    severity="error",
    title="A range of an assembled file is not bit-equal to its source",
    todo="The file was not made as the sheet says, or was changed afterwards. Mend the range, or leave "
    "`file` empty: provpack then makes the master itself.",
    reference=_STEP_11,
)
ASSEMBLY_SOURCE = Rule(
    id="pass-assembly-source",
    severity="error",
    title="An assembly takes frames from a pass whose file cannot be used",
    todo="Name the file of that pass in the passes of the transfer, or take the frames from another pass.",
    reference=_STEP_11,
)
ASSEMBLY_UNCLEAR = Rule(
    id="pass-assembly-unclear",
    severity="error",
    title="A range of an assembly lacks a number, or one that can be read",
    todo="Give pass_n, source_start, source_end, target_start, target_end: whole frames, ends exclusive.",
    reference=_STEP_11,
)
ASSEMBLY_BACKWARDS = Rule(
    id="pass-assembly-backwards",
    severity="warning",
    title="An assembly takes frames of a pass twice, or out of their order",
    todo="If that is meant, say why in the note of the range: a tape holds its samples once, in one order.",
    reference=_STEP_11,
)
ASSEMBLY_PROVEN = Rule(
    id="pass-assembly-proven",
    severity="note",
    title="Every range of the assembled file is bit-equal to its source",
    todo="Nothing to do. The passes are kept whole in the package, so anyone can repeat the comparison.",
    reference=_STEP_11,
)
CHUNKS_LEFT = Rule(
    id="pass-chunks-left",
    severity="note",
    title="Chunks of the pass that gives its header do not go over into the assembled master",
    todo="Nothing to do: they speak of positions or of the file as it was, and stay in the file of that "
    "pass, which is kept whole in the package.",
    reference="RIFF/WAVE 1991, cue and fact chunks",
)

RULES: tuple[Rule, ...] = (
    FILE_UNUSABLE, SAME_FILE, NOT_LOOKED_AT, UNEXPLAINED, FORMAT, HEADER_RATE, IDENTICAL, ALIGNED, DIFFERS,
    MORE_DIFFERENCES, UNDECIDED, TOO_MANY, EVERYWHERE, UNALIGNED, BETTER, PROPOSED, BEST, ASSEMBLY_GAP,
    ASSEMBLY_OVERLAP, ASSEMBLY_LENGTH, ASSEMBLY_OUTSIDE, ASSEMBLY_DIFFERS, ASSEMBLY_SOURCE,
    ASSEMBLY_UNCLEAR, ASSEMBLY_BACKWARDS, ASSEMBLY_PROVEN, CHUNKS_LEFT,
)  # fmt: skip
