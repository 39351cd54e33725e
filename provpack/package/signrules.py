"""The rules about signatures, keys, and lists of signers. References: PROTOCOL.sshsig and ssh-keygen(1)."""

from __future__ import annotations

from provpack.findings import Rule

_SSHSIG = "OpenSSH PROTOCOL.sshsig"
_LIST = "ssh-keygen(1), ALLOWED SIGNERS"
_SOUND = "Whether sound and files are intact is another question, and was answered without the signature."

MISSING = Rule(
    id="sig-missing",
    severity="warning",
    title="There is no signature",
    todo="Ask whoever delivered this whether it was signed, and for the .sig file if it was. " + _SOUND,
    reference=_SSHSIG,
)
WRONG = Rule(
    id="sig-wrong",
    severity="warning",
    title="The signature does not fit what it should vouch for",
    todo="Take nothing from it: fetch both files again, and if it still does not fit, ask the signer by a "
    "way you know (telephone, letter) before you accept anything.",
    reference=_SSHSIG,
)
UNREADABLE = Rule(
    id="sig-unreadable",
    severity="warning",
    title="The signature file cannot be read as a signature",
    todo="Fetch the file again from where it came; if it is the same there, ask whoever signed.",
    reference=_SSHSIG,
)
NAMESPACE = Rule(
    id="sig-other-purpose",
    severity="warning",
    title="The signature was made for something else",
    todo="A signature counts only for what it names: ask for the one that belongs here.",
    reference=_SSHSIG,
)
EXPIRED = Rule(
    id="sig-expired",
    severity="warning",
    title="The key is on the list of signers, but not for the time of sealing",
    todo="Ask the signer when the key was in use and whether this was sealed by them; a newer list of "
    "signers may have other dates.",
    reference=_LIST,
)
EXPIRED_SINCE = Rule(
    id="sig-expired-since",
    severity="warning",
    title="The key was on the list of signers for the time claimed, and is not for now",
    todo="Whoever kept the key could have written that time. Compare with the ledger or the delivery note of "
    "that day, on paper or from another source than this one, before you rely on the signature.",
    reference=_LIST,
)
FOREIGN = Rule(
    id="sig-foreign",
    severity="warning",
    title="The signature is by a key that is not on the list of signers",
    todo="Ask the one who should have signed for the fingerprint of their key, by telephone or letter. Add "
    "the key to the list only when it is the same.",
    reference=_LIST,
)
NOT_FOR_THIS = Rule(
    id="sig-foreign-purpose",
    severity="warning",
    title="The key is on the list of signers, but not for this purpose or under this name",
    todo="Ask the signer whether this key may sign this; the list says what each key is trusted for.",
    reference=_LIST,
)
UNVOUCHED = Rule(
    id="sig-unvouched",
    severity="note",
    title="The signature fits, but no list says whose key it is",
    todo="Name the list of signers you trust with --signers, or compare the fingerprint by telephone or "
    "letter with the one who signed.",
    reference=_LIST,
)
UNSUPPORTED = Rule(
    id="sig-unsupported",
    severity="warning",
    title="The signature is of a kind that is not checked here",
    todo="Check it with `ssh-keygen -Y verify`, or ask for a signature made with an Ed25519 key.",
    reference=_SSHSIG,
)
TIME_UNKNOWN = Rule(
    id="sig-time-unknown",
    severity="warning",
    title="Whether the key was valid cannot be judged: the time of sealing is unknown",
    todo="Ask the signer when this was sealed, and compare with the dates in the list of signers.",
    reference=_LIST,
)
UNCHECKED = Rule(
    id="sig-not-checked",
    severity="warning",
    title="The signature could not be checked",
    todo="Look at what is said about the file, and check again.",
)
COVERS_LESS = Rule(
    id="sig-covers-less",
    severity="warning",
    title="The signed list leaves out a list of files",
    todo="The signature says nothing about what that list holds. Ask the signer for a complete package.",
    reference="RFC 8493 section 2.2.1",
)
LIST_LINE = Rule(
    id="sig-signers-line",
    severity="warning",
    title="A line of the list of signers cannot be read and was passed over",
    todo="Mend the line: name, options if any, key type, key. The signer can send you the line again.",
    reference=_LIST,
)
LIST_OPTION = Rule(
    id="sig-signers-option",
    severity="warning",
    title="A line of the list of signers has an option not known here and was passed over",
    todo="Known are namespaces, valid-after and valid-before, each with its value in double quotes.",
    reference=_LIST,
)
LIST_AUTHORITY = Rule(
    id="sig-signers-authority",
    severity="warning",
    title="A line of the list of signers trusts a certificate authority; it was passed over",
    todo="Certificates are not followed here: list the signer's own key on a line without cert-authority.",
    reference=_LIST,
)
LIST_EMPTY = Rule(
    id="sig-signers-empty",
    severity="warning",
    title="The list of signers names no key",
    todo="Look whether it is the right file; each line holds a name, a key type and a key.",
    reference=_LIST,
)
KEY_OPEN = Rule(
    id="sig-key-open",
    severity="warning",
    title="Others on this computer can read the private key",
    todo="Close it (`chmod 600 FILE`); if others had access, make a new key and tell those who trust the "
    "old one.",
    reference="ssh-keygen(1), FILES",
)

PASSPHRASE_OPEN = Rule(
    id="sig-passphrase-open",
    severity="warning",
    title="Others on this computer can read the passphrase of the key",
    todo="Close the file (`chmod 600 FILE`); if others had access, give the key a new passphrase "
    "(`ssh-keygen -p -f KEY`).",
    reference="ssh-keygen(1), FILES",
)

RULES = (
    MISSING, WRONG, UNREADABLE, NAMESPACE, EXPIRED, EXPIRED_SINCE, FOREIGN, NOT_FOR_THIS, UNVOUCHED,
    UNSUPPORTED, TIME_UNKNOWN, UNCHECKED, COVERS_LESS, LIST_LINE, LIST_OPTION, LIST_AUTHORITY, LIST_EMPTY,
    KEY_OPEN, PASSPHRASE_OPEN,
)  # fmt: skip
