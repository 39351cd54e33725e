"""The rules of the package room, collected; here those of a whole bag, in bagrules those of its tag files.

References: RFC 8493 (BagIt 1.0) unless another source is named.
"""

from __future__ import annotations

from provpack.findings import Rule
from provpack.package.archiverules import ARCHIVE_COULD_NOT_CHECK, ARCHIVE_RULES
from provpack.package.bagrules import TEXT_RULES

_ASK = "Ask whoever sent the bag for a corrected one; keep this one as received."
_AGAIN = "Run the check again when nothing else is writing to the folder."

# --- nothing can be said -------------------------------------------------------------------------------

UNREADABLE = Rule(
    id="bag-unreadable",
    severity="error",
    title="A file or folder cannot be read",
    todo="Look at permissions, cables and the disk's own error log, then check again.",
)
CHANGED = Rule(
    id="bag-changed-while-read",
    severity="error",
    title="A file changed while it was being read",
    todo=_AGAIN,
)
UNKNOWN_ALGORITHM = Rule(
    id="bag-algorithm-unknown",
    severity="error",
    title="A manifest uses an unknown digest algorithm",
    todo="Check this manifest with a tool that knows the algorithm, or ask for a sha512 manifest.",
    reference="RFC 8493 section 2.4 and 3",
)
UNKNOWN_VERSION = Rule(
    id="bag-version-unknown",
    severity="error",
    title="The declared BagIt version is not one known here",
    todo="Nothing in the bag was checked. Use a tool that knows this version.",
    reference="RFC 8493 section 2.1.1",
)
ENCODING_UNSUPPORTED = Rule(
    id="bag-encoding-unsupported",
    severity="error",
    title="The tag file encoding cannot be decoded here",
    todo="Convert the tag files to UTF-8 in a copy, or check with a tool that knows the encoding.",
    reference="RFC 8493 section 2.1.1",
)
TOO_LARGE = Rule(
    id="bag-too-large-to-read",
    severity="error",
    title="A tag file or folder is beyond the size that is read",
    todo="Check it with another tool; this one refuses to load it for safety.",
    reference="RFC 8493 section 5.3",
)
NOT_A_FOLDER = Rule(
    id="bag-not-a-folder",
    severity="error",
    title="The path is a single file, and neither a package folder nor an archive of one",
    todo="Give the package's folder, or a .tar or .zip of it; inspect a single WAV with `provpack inspect`.",
)
CHECK_FAILED = Rule(
    id="bag-check-failed",
    severity="error",
    title="The check itself failed",
    todo="Report this with the package's name; nothing is said about the package.",
)
HUNG = Rule(
    id="bag-check-hung",
    severity="error",
    title="Nothing could be read any more, and the check was given up",
    todo="Look whether the disk or the network share answers, then check this package again.",
)
WORKER_LOST = Rule(
    id="bag-worker-lost",
    severity="error",
    title="The process or machine that checked the package ended before it was done",
    todo="Look why it ended (memory, disk, power), then check this package again.",
)
CLUSTER_LOST = Rule(
    id="bag-cluster-lost",
    severity="error",
    title="The cluster gave no result for the package",
    todo="Look at the scheduler and its workers, then run the check again.",
)
NOT_SEEN = Rule(
    id="bag-not-seen",
    severity="error",
    title="The package is not to be seen from the machine that was to check it",
    todo="Mount the storage at the same path on every worker, then check this package again.",
)

# --- missing -------------------------------------------------------------------------------------------

NOT_FOUND = Rule(
    id="bag-not-found",
    severity="error",
    title="Nothing is at the given path",
    todo="Look whether the disk is mounted and the name is right; otherwise fetch the second copy.",
)
NO_BAG_HERE = Rule(
    id="bag-none-here",
    severity="error",
    title="No package was found in the folder",
    todo="Give the folder that holds bagit.txt, or a folder with such folders in it.",
)
FILE_MISSING = Rule(
    id="bag-file-missing",
    severity="error",
    title="A listed file is not there",
    todo="Restore the file from the second copy.",
    reference="RFC 8493 section 3",
)
NOT_FETCHED = Rule(
    id="bag-file-not-fetched",
    severity="error",
    title="A file of fetch.txt has not been downloaded",
    todo="The bag is incomplete until the file is fetched; this tool never goes to the network.",
    reference="RFC 8493 sections 2.2.3 and 3",
)

# --- fixity --------------------------------------------------------------------------------------------

DIGEST_MISMATCH = Rule(
    id="bag-digest-mismatch",
    severity="error",
    title="A file is not what its manifest says",
    todo="Do not use this copy as it is: compare it with the second copy.",
    reference="RFC 8493 section 3",
)
OXUM_MISMATCH = Rule(
    id="bag-oxum-mismatch",
    severity="error",
    title="Payload-Oxum does not fit the payload",
    todo="Compare with the second copy: files were added, lost or changed.",
    reference="RFC 8493 section 2.2.2",
)

# --- worth saying --------------------------------------------------------------------------------------

NORMALISATION = Rule(
    id="bag-unicode-normalisation",
    severity="warning",
    title="Names on disk and in the manifest differ by Unicode normalisation",
    todo="The file was checked. Keep the bag on a file system that preserves names.",
    reference="RFC 8493 section 6.1.1.3",
)
NAME_COLLISION = Rule(
    id="bag-name-collision",
    severity="warning",
    title="Names differ only by case or Unicode normalisation",
    todo="Do not copy the bag to a file system that treats such names as one.",
    reference="RFC 8493 section 6.1.1.3",
)
NOT_PORTABLE = Rule(
    id="bag-name-not-portable",
    severity="warning",
    title="A name cannot exist on every file system",
    todo="Keep the bag on a file system that allows the name.",
    reference="RFC 8493 section 6.1.2",
)
SYSTEM_FILE = Rule(
    id="bag-system-file",
    severity="warning",
    title="The payload holds a file an operating system left there",
    todo="Leave it if a manifest lists it; next time clean the folder before bagging.",
    reference="common practice, no source",
)
WEAK = Rule(
    id="bag-weak-algorithm",
    severity="warning",
    title="Only MD5 or SHA-1 vouches for the files",
    todo="Digests hold against accidents, not against intent: add a sha512 manifest in a new bag.",
    reference="RFC 8493 section 2.4",
)
TAG_SETS_DIFFER = Rule(
    id="bag-tag-manifests-differ",
    severity="warning",
    title="The tag manifests do not list the same files",
    todo=_ASK,
    reference="RFC 8493 section 2.2.1",
)
TAG_ALGORITHMS = Rule(
    id="bag-tag-manifest-algorithms",
    severity="warning",
    title="Tag manifests and payload manifests use different algorithms",
    todo=_ASK,
    reference="RFC 8493 section 2.2.1",
)
TAG_UNLISTED = Rule(
    id="bag-tag-file-unlisted",
    severity="note",
    title="A tag file is in no tag manifest",
    todo="Nothing vouches for this file.",
    reference="RFC 8493 section 2.2.1",
)
EMPTY_FOLDER = Rule(
    id="bag-empty-folder",
    severity="warning",
    title="An empty folder cannot be listed",
    todo="It may get lost in copying; nothing vouches for it.",
    reference="RFC 8493 section 2.1.3",
)
PAYLOAD_NOT_READ = Rule(
    id="bag-payload-not-read",
    severity="note",
    title="The payload was not read at this depth",
    todo="Use --depth bytes to prove that the content is unchanged.",
)
LEFTOVER = Rule(
    id="bag-leftover",
    severity="warning",
    title="A staging folder of an interrupted run was passed over",
    todo="An interrupted wrap left it; it is no package. Run the wrap again, then it can be removed.",
)
LINK_PASSED = Rule(
    id="bag-link-passed-over",
    severity="note",
    title="A symbolic link was not followed",
    todo="Give the link's target as a path of its own if it is to be checked.",
)
LEDGER_DIFFERS = Rule(
    id="bag-ledger-differs",
    severity="error",
    title="The package is not the one the custody ledger saw sealed",
    todo="The package was changed and its manifests made anew, or the ledger was changed: compare both with "
    "the second copy and with the digest kept apart.",
)
LEDGER_MISSING = Rule(
    id="bag-ledger-missing",
    severity="warning",
    title="A package the custody ledger knows here is not here",
    todo="Find out where it is. If it was moved or handed over, check it there and enter that in the ledger; "
    "otherwise fetch the second copy.",
)
LEDGER_UNTOLD = Rule(
    id="bag-ledger-untold",
    severity="warning",
    title="Whether a package the custody ledger knows is still there cannot be told",
    todo="Look whether the server answers or the disk is mounted, and at permissions; then check again.",
)
LEDGER_NOT_ALL_HERE = Rule(
    id="bag-ledger-not-all-here",
    severity="warning",
    title="Packages the custody ledger saw in one folder lie here, but not all of them",
    todo="Find out where the others are. If they were moved, handed over or left behind, enter that in the "
    "ledger; otherwise fetch the second copy.",
)
LEDGER_LINK = Rule(
    id="bag-ledger-link",
    severity="error",
    title="A link to another package stands where the custody ledger saw a package sealed",
    todo="Find out where the sealed package is, and who made the link; otherwise fetch the second copy.",
)
LEDGER_OTHER = Rule(
    id="bag-ledger-other-since",
    severity="warning",
    title="The package is not the one that was found good here before",
    todo="Find out who put it there. If that was not meant, compare it with the second copy: what was found "
    "good before may be lost.",
)
LEDGER_BROKEN = Rule(
    id="bag-ledger-broken",
    severity="warning",
    title="The custody ledger was changed, or cannot be read",
    todo="Compare it with a copy kept elsewhere; a line was changed, removed or moved.",
)
NOT_RECORDED = Rule(
    id="bag-check-not-recorded",
    severity="warning",
    title="Checks could not be entered in the custody ledger",
    todo="Mend what is named, then run the same command again: the ledger does not know of this check.",
)
PAGE_NOT_WRITTEN = Rule(
    id="bag-page-not-written",
    severity="warning",
    title="The page about damage could not be written",
    todo="Make room, or name another place with --page, and run the same command again.",
)
SECOND_OPINION = Rule(
    id="bag-second-opinion",
    severity="warning",
    title="Another reader of bags disagrees",
    todo="Both readings are listed; report this with the package's name.",
)

# --- our own packages ----------------------------------------------------------------------------------

BLOCKS_UNUSABLE = Rule(
    id="bag-block-digests-unusable",
    severity="error",
    title="block-digests.json is missing or damaged",
    todo="Damage cannot be located in time; compare with the second copy.",
)
TAG_ALTERED = Rule(
    id="bag-tag-manifest-altered",
    severity="error",
    title="A tag manifest is not as it was written",
    todo="Compare with the second copy; a bit of the file was changed.",
)
AUDIO_DAMAGED = Rule(
    id="bag-audio-damaged",
    severity="error",
    title="Some blocks of the audio are damaged",
    todo="The other blocks are good: fetch the damaged ones from the second copy.",
)
AUDIO_INTACT = Rule(
    id="bag-audio-intact",
    severity="note",
    title="The audio is intact, only bytes around it changed",
    todo="What stands around the sound was edited or damaged; the samples are those that were packaged.",
)
MASTER_UNCHANGED = Rule(
    id="bag-master-unchanged",
    severity="note",
    title="The master is as it was packaged; the manifest that says otherwise is damaged",
    todo="Compare the manifest with the second copy; there is nothing to repair in the master.",
)
AUDIO_NOT_LOCATED = Rule(
    id="bag-audio-not-located",
    severity="warning",
    title="Damage could not be located",
    todo="Compare the whole file with the second copy.",
)
RECORD_INVALID = Rule(
    id="bag-record-invalid",
    severity="error",
    title="The package's record breaks its schema",
    todo="The record was changed, or made by a newer version: compare with the second copy.",
)
RECORD_DISAGREES = Rule(
    id="bag-record-disagrees",
    severity="error",
    title="The record and the files disagree",
    todo="Compare with the second copy; one of the two was changed.",
)
EMBEDDED_DISAGREES = Rule(
    id="bag-embedded-record-disagrees",
    severity="error",
    title="The record inside the master is not the record beside it",
    todo="Compare both with the second copy; one of the two was changed.",
)
NOT_CHECKED = Rule(
    id="bag-not-checked",
    severity="error",
    title="A part of the check could not be made",
    todo="Nothing is said about this part; check with a complete installation.",
)

RULES: tuple[Rule, ...] = (
    *TEXT_RULES,
    *ARCHIVE_RULES,
    *(value for value in list(globals().values()) if isinstance(value, Rule)),
)

COULD_NOT_CHECK: frozenset[str] = frozenset(
    rule.id
    for rule in (
        *ARCHIVE_COULD_NOT_CHECK,
        UNREADABLE,
        CHANGED,
        UNKNOWN_ALGORITHM,
        UNKNOWN_VERSION,
        ENCODING_UNSUPPORTED,
        TOO_LARGE,
        NOT_A_FOLDER,
        CHECK_FAILED,
        NOT_CHECKED,
        HUNG,
        WORKER_LOST,
        CLUSTER_LOST,
        NOT_SEEN,
    )
)
"""An error of one of these rules means: nothing can be said, neither good nor bad."""

MISSING: frozenset[str] = frozenset(
    rule.id for rule in (NOT_FOUND, NO_BAG_HERE, FILE_MISSING, NOT_FETCHED, LEDGER_LINK)
)
"""An error of one of these rules means: something that should be there is not."""
