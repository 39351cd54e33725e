"""What can be worth saying about a hand-over: when it is made up, taken in, and closed."""

from __future__ import annotations

from provpack.findings import Rule

_ASK = "Ask whoever delivered for this package again, and keep what came as it came."
_CUSTODY = "packaging note section 9: the last hash on the delivery note, so that the receiver is the witness"

# --- deliver: about one package ---

NOT_OURS = Rule(
    id="deliver-not-ours",
    severity="error",
    title="The folder is no package made by wrap, so it is not known for whom it was made",
    todo="Name folders that `provpack wrap` made; hand anything else over yourself.",
)
NO_CLIENT = Rule(
    id="deliver-no-client",
    severity="error",
    title="The record names no client, so the package may go to nobody",
    todo="Wrap the transfer again with `client` filled in, and with `supersedes` naming this package.",
)
OTHER_CLIENT = Rule(
    id="deliver-other-client",
    severity="note",
    title="The package belongs to another client and was left alone",
    todo="Nothing to do: nothing of one client ever goes to another. Deliver it with that client's name.",
)
NAME_DIFFERS = Rule(
    id="deliver-name-differs",
    severity="error",
    title="The folder does not bear the name its package was sealed under",
    todo="Give the folder back the name that stands in its record, or deliver the original.",
)
TWICE = Rule(
    id="deliver-twice",
    severity="error",
    title="Two folders hold a package of the same name or with the same record",
    todo="Name the one that is meant; compare them with `provpack verify` if you do not know which.",
)
CHANGED = Rule(
    id="deliver-changed-meanwhile",
    severity="error",
    title="A package changed between the look at it and its copying",
    todo="Run the same command again when nothing else is writing to the folder.",
)
FORM_UNASKED = Rule(
    id="deliver-requirements-not-named",
    severity="note",
    title="The packages were wrapped to a client's requirements, and none were named for the delivery",
    todo="If the client asks for a form of delivery, name the requirements file with --client-profile.",
)
WAS_ACCEPTED = Rule(
    id="deliver-accepted-before",
    severity="warning",
    title="The package was handed over and accepted before",
    todo="Nothing, if it is meant to go out again; otherwise leave it out of the delivery.",
)
WAS_ENDED = Rule(
    id="deliver-superseded-or-destroyed",
    severity="warning",
    title="The custody ledger has the package as superseded or destroyed",
    todo="Look whether another package has taken its place; the receiver should not get both unawares.",
)
DEMANDS_NOT_MET = Rule(
    id="deliver-demands-not-met",
    severity="error",
    title="The package does not meet the client's requirements",
    todo="See the findings beside this one; mend the sheet, wrap again with `supersedes`, and deliver that.",
)

# --- deliver: about the whole ---

PASSED_OVER = Rule(
    id="deliver-passed-over",
    severity="warning",
    title="Something among the packages that may be one was passed over",
    todo="If it is meant to be delivered, name the package folder itself.",
)
LEFTOVER = Rule(
    id="deliver-leftover",
    severity="warning",
    title="A staging folder of an interrupted delivery lies in the destination",
    todo="If no other delivery is being made, delete it: it was never a delivery.",
)
NO_LEDGER = Rule(
    id="deliver-no-ledger",
    severity="warning",
    title="No custody ledger lies beside the packages: the hand-over is not on record here",
    todo="Deliver from the folder that wrap wrote to; its ledger lies there. Keep the note at least.",
    reference=_CUSTODY,
)
LEDGER_BROKEN = Rule(
    id="deliver-ledger-broken",
    severity="error",
    title="The custody ledger is broken, so no hand-over can be entered in it",
    todo="Compare the ledger with its copies now; `provpack custody` names the line.",
    reference=_CUSTODY,
)
LEDGER_FAILED = Rule(
    id="deliver-ledger-failed",
    severity="warning",
    title="The delivery is complete, but it is NOT in the custody ledger",
    todo="Mend the cause, and keep the folder of the delivery: `provpack close` enters it with --delivery.",
)
SEVERAL_LEDGERS = Rule(
    id="deliver-several-ledgers",
    severity="warning",
    title="The packages belong to more than one custody ledger, so the note vouches for none of them",
    todo="Make one delivery for each ledger if the receiver is to be its witness.",
    reference=_CUSTODY,
)

# --- receive ---

NO_NOTE = Rule(
    id="receive-no-note",
    severity="note",
    title="There is no delivery note: what should have come is not known",
    todo="Compare with your own list of what you expect.",
)
NOTE_MISSING = Rule(
    id="receive-note-missing",
    severity="error",
    title="This is a delivery, and its delivery note is not there: what should have come is not known",
    todo="Ask for delivery-note.json again, by another way than the delivery itself if you can.",
)
NOTE_UNREADABLE = Rule(
    id="receive-note-unreadable",
    severity="error",
    title="The delivery note cannot be used",
    todo="Ask for the delivery note again, by another way than the delivery itself if you can.",
)
PACKAGE_MISSING = Rule(
    id="receive-package-missing",
    severity="error",
    title="A package the delivery note names has not come",
    todo="Look whether everything was copied; else ask for it.",
)
PACKAGE_EXTRA = Rule(
    id="receive-package-extra",
    severity="warning",
    title="Something came that the delivery note does not name",
    todo="Ask whether it is meant for you before you open it; it may belong to somebody else.",
)
NOT_AS_NOTED = Rule(
    id="receive-not-as-noted",
    severity="error",
    title="A package is not the one the delivery note names",
    todo=_ASK,
    reference="RFC 8493 section 2.2.1: nothing in the package vouches for its tag manifest; the note does",
)
FILE_MISSING = Rule(
    id="receive-file-missing",
    severity="error",
    title="A file of the delivery is not there",
    todo="Look whether everything was copied; else ask for it.",
)
FILE_CHANGED = Rule(
    id="receive-file-changed",
    severity="error",
    title="A file of the delivery is not what checksums-sha512.txt says",
    todo="Copy it again from the medium and receive again; else ask for it.",
)
FILE_EXTRA = Rule(
    id="receive-file-extra",
    severity="warning",
    title="A file lies in the delivery that its note or checksums-sha512.txt does not name",
    todo="Ask what it is before you open it.",
)
PAPER_DIFFERS = Rule(
    id="receive-paper-not-as-noted",
    severity="error",
    title="A page or paper of the delivery is not the one the delivery note names",
    todo="Believe nothing that stands in it. Copy it again from the medium and receive again; else ask for "
    "it by another way.",
    reference="packaging note section 9: checksums-sha512.txt is not signed, the note is",
)
CHECKSUMS_UNUSABLE = Rule(
    id="receive-checksums-unusable",
    severity="error",
    title="checksums-sha512.txt cannot be used",
    todo="Ask for it again. The packages are checked by their own manifests all the same.",
)
COULD_NOT_READ = Rule(
    id="receive-could-not-read",
    severity="error",
    title="A file or folder of the delivery cannot be read",
    todo="Check the medium, its cable and the permissions, then receive again.",
)
KEYS_CAME_ALONG = Rule(
    id="receive-keys-came-along",
    severity="note",
    title="The signature fits the key that came with the delivery, which does not prove who made it",
    todo="A list of keys inside the delivery could have been put there by anybody. Ask the sender for the "
    "key by another way, keep it in a file of your own, and give that with --signers.",
    reference="ssh-keygen(1), allowed_signers; packaging note section 9",
)
KEYS_DIFFER = Rule(
    id="receive-keys-do-not-fit",
    severity="error",
    title="The list of keys in the delivery does not hold the key that signed",
    todo="Something was exchanged on the way. Ask the sender for the fingerprint of the key by telephone.",
)

LIST_CAME_ALONG = Rule(
    id="receive-signers-came-along",
    severity="warning",
    title="The list of keys named lies in what is being received, so it vouches for nothing",
    todo="Ask the sender for the key by another way (telephone, letter), keep it in a file of your own "
    "outside the delivery, and name that file after --signers.",
    reference="ssh-keygen(1), allowed_signers; packaging note section 9",
)
NOTE_FOREIGN = Rule(
    id="receive-note-not-by-yours",
    severity="error",
    title="Nobody on the receiver's own list signed the delivery note",
    todo="Whoever made this note can have left packages out. Ask the sender, by another way, which key "
    "signs, and put it on your list only when you know whose it is.",
)
PART_OF_DELIVERY = Rule(
    id="receive-part-of-delivery",
    severity="warning",
    title="Only a part of a delivery was looked at",
    todo="Name the folder of the delivery itself: only its note says what should have come.",
)
SIGNATURE_GONE = Rule(
    id="receive-signature-gone",
    severity="error",
    title="The papers say that the delivery note is signed, and no signature on it holds",
    todo="Something was taken away or exchanged on the way. Ask the sender, by another way, for "
    "delivery-note.json and its signature.",
    reference="packaging note section 9",
)

# --- close ---

UNKNOWN_DELIVERY = Rule(
    id="close-delivery-unknown",
    severity="error",
    title="The custody ledger knows no such delivery",
    todo="Name the ledger of the folder the packages were delivered from, after --ledger. If the delivery "
    "could not be entered when it was made, name its folder with --delivery.",
)
NOT_DELIVERED = Rule(
    id="close-package-not-delivered",
    severity="error",
    title="The receipt names a package that was not in this delivery",
    todo="Ask the receiver what came, and compare with the delivery note.",
)
LEFT_OUT = Rule(
    id="close-package-left-out",
    severity="error",
    title="The receipt does not speak of a package that was delivered",
    todo="Ask the receiver for a receipt about the whole delivery.",
)
IDENTITY_DIFFERS = Rule(
    id="close-identity-differs",
    severity="error",
    title="The receipt accepts a package that is not the one delivered",
    todo="Compare both copies: somebody has changed one of them and made its manifests anew.",
    reference="RFC 8493 section 2.2.1",
)
NOTE_DIFFERS = Rule(
    id="close-note-differs",
    severity="error",
    title="The receiver holds another delivery note than the one that was made",
    todo="Compare both notes: one of them was changed.",
)
WITNESS_DIFFERS = Rule(
    id="close-witness-differs",
    severity="error",
    title="The custody ledger is not the one the receiver's copy of the note is a witness of",
    todo="A line written before the delivery was changed, taken out or added since. Compare with a backup.",
    reference=_CUSTODY,
)
LEDGER_NOT_WHOLE = Rule(
    id="close-ledger-broken",
    severity="error",
    title="The custody ledger is broken",
    todo="Compare it with a copy kept elsewhere before anything is entered in it.",
)
CONTRADICTS_ITSELF = Rule(
    id="close-receipt-contradicts-itself",
    severity="error",
    title="The receipt accepts what it says is damaged, missing or not as noted",
    todo="Ask the receiver to run `provpack receive` again and send what it wrote.",
)
SIGNATURE_NOT_VALID = Rule(
    id="close-signature-not-valid",
    severity="error",
    title="The receipt's signature does not prove that the receiver made it",
    todo="Ask the receiver, by another way, for the receipt and for the key it was signed with.",
    reference="ssh-keygen(1)",
)
NOT_VOUCHED = Rule(
    id="close-not-vouched-for",
    severity="error",
    title="Nobody vouches for the receipt, so it was not entered",
    todo="Give a list with the receiver's key with --signers. If there is none, ask the receiver by another "
    "way (telephone, letter) whether the SHA-512 of the receipt is that; then say so with --unvouched.",
)
NOBODY_VOUCHES = Rule(
    id="close-nobody-vouches",
    severity="warning",
    title="Nothing proves who made the receipt",
    todo="Keep the letter or mail it came with, and a word on how you compared it.",
)
ALREADY = Rule(
    id="close-already-entered",
    severity="note",
    title="This very receipt is in the ledger already; nothing was written",
    todo="Nothing to do.",
)
RECEIPT_ID_TWICE = Rule(
    id="close-receipt-id-twice",
    severity="error",
    title="Another receipt with the same identifier is in the ledger",
    todo="Compare the two files: one of them was changed after it was written. Ask the receiver which.",
)
SUPERSEDES = Rule(
    id="close-supersedes-unvouched",
    severity="note",
    title="The receipt stands in the place of one that nobody vouched for",
    todo="The lines written before stay. If the two say different things, find out who made the first.",
)
DELIVERY_NOT_OURS = Rule(
    id="close-delivery-does-not-fit",
    severity="error",
    title="The delivery cannot be entered afterwards: its note does not fit the receipt or the ledger",
    todo="Name the folder this very delivery was made in, and the ledger its packages were sealed into.",
)
ENTERED_LATE = Rule(
    id="close-delivery-entered-late",
    severity="warning",
    title="The delivery was missing in the ledger and is entered from its own note",
    todo="Nothing, if the ledger could not be written when it was made. The lines say that they came late.",
)
CLOSED_OTHERWISE = Rule(
    id="close-closed-otherwise",
    severity="error",
    title="The hand-over was closed before by another receipt",
    todo="Look at the line named. A hand-over is accepted once; what comes later is a matter of its own.",
)
NO_DELIVERY_NAMED = Rule(
    id="close-no-delivery-named",
    severity="warning",
    title="The receipt names no delivery, only packages",
    todo="Nothing, if the packages were handed over without a delivery note; they are those sealed here.",
)

RULES: tuple[Rule, ...] = (
    NOT_OURS, NO_CLIENT, OTHER_CLIENT, NAME_DIFFERS, TWICE, CHANGED, FORM_UNASKED,
    WAS_ACCEPTED, WAS_ENDED, DEMANDS_NOT_MET,
    PASSED_OVER, LEFTOVER, NO_LEDGER, LEDGER_BROKEN, LEDGER_FAILED, SEVERAL_LEDGERS,
    NO_NOTE, NOTE_MISSING, NOTE_UNREADABLE, PACKAGE_MISSING, PACKAGE_EXTRA, NOT_AS_NOTED, FILE_MISSING,
    FILE_CHANGED, FILE_EXTRA, PAPER_DIFFERS, CHECKSUMS_UNUSABLE, COULD_NOT_READ, KEYS_CAME_ALONG, KEYS_DIFFER,
    LIST_CAME_ALONG, NOTE_FOREIGN, PART_OF_DELIVERY, SIGNATURE_GONE,
    UNKNOWN_DELIVERY, NOT_DELIVERED, LEFT_OUT, IDENTITY_DIFFERS, NOTE_DIFFERS, WITNESS_DIFFERS,
    LEDGER_NOT_WHOLE, CONTRADICTS_ITSELF, SIGNATURE_NOT_VALID, NOT_VOUCHED, NOBODY_VOUCHES, ALREADY,
    CLOSED_OTHERWISE, RECEIPT_ID_TWICE, SUPERSEDES, DELIVERY_NOT_OURS, ENTERED_LATE, NO_DELIVERY_NAMED,
)  # fmt: skip
