"""How a signature is checked with stock tools, in words for a registrar.

Facts from ssh-keygen(1): -Y verify, -O verify-time, ALLOWED SIGNERS, -l. OpenSSH is part of current Linux,
macOS and Windows (the last from memory). What a good answer looks like is seen with OpenSSH 9.2.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Final

from provpack.package.readfirst_words import one_line, signature_command

SIGNED = "tagmanifest-sha512.txt"
SIGNERS = "allowed_signers"
STATES: Final[Mapping[str, str]] = {
    "valid": "signed",
    "unvouched": "signed; the key was not compared with a list",
    "foreign": "signed with a key that is not on the list",
    "expired": "signed with a key that is not listed for that time",
    "wrong": "the signature does not fit",
    "missing": "not signed",
    "could_not_check": "the signature could not be checked",
}
"""What the states of a signature (jobs/signatures.py) are for people."""
_WIDTH = 78


def moment_of(text: object) -> datetime | None:
    """A time in ISO 8601 with its offset, as our records have it; None for anything else."""
    try:
        moment = datetime.fromisoformat(text) if isinstance(text, str) else None
        return moment if moment is not None and moment.utcoffset() is not None else None
    except ValueError:
        return None


def signature_steps(
    principal: str,
    fingerprint: str,
    namespace: str,
    *,
    signed: str = SIGNED,
    signers: str = SIGNERS,
    sealed_at: datetime | None = None,
) -> list[str]:
    """Lines of text, at most 78 characters save for commands, which stand alone behind four blanks.

    signed: the file that was signed, its signature beside it as `<signed>.sig`. signers: the list of signers
    as the command names it. sealed_at: aware; puts the time into the command for keys listed with dates.
    """
    command = signature_command(principal, namespace, signed=signed, signers=signers)
    who = one_line(principal, 200)
    then = f"{sealed_at.astimezone(UTC):%Y%m%d%H%M%SZ}" if sealed_at is not None else "YYYYMMDDHHMMSSZ"
    dated = command.replace(" -Y verify ", f" -Y verify -O verify-time={then} ", 1)
    steps = (
        f"{signed} is signed by {who}. The signature shows who vouches for this; it is not needed to check "
        "that nothing has changed, nor to listen.",
        "1. You need the list of signers, a small text file with the name allowed_signers. Use the one you "
        "were given once and keep in your accession file. A list that came together with a delivery proves "
        "nothing until you have compared it (step 3).",
        "2. Open a terminal in the folder that holds "
        f"{signed} and type, on any computer with OpenSSH (if the list lies elsewhere, write where, for "
        "example ../allowed_signers):",
        [command],
        "The answer must be this one line, to the last letter of the fingerprint:",
        [f'Good "{namespace}" signature for {who} with ED25519 key {fingerprint}'],
        "In PowerShell there is no < sign; type the command in the older command window (cmd).",
        "3. The first time, compare this fingerprint with the signer by another way than this delivery: by "
        "telephone, with a number you know, or on paper with a letterhead. Then keep allowed_signers with "
        "your accession file.",
        "4. A key can be listed for a certain time only, and the signature holds no time of its own. If the "
        "answer says that the key has expired or is not yet valid (and the signer has not reported it lost "
        "or stolen), give the time of sealing"
        + (" in UTC:" if sealed_at is not None else " (year, month, day, hour, minute, second in UTC):"),
        [dated],
        "5. If the answer is anything but Good: change and delete nothing, keep what the computer said, and "
        "call the signer. The sound may be intact all the same; the digests tell.",
    )
    lines: list[str] = []
    for step in steps:
        if isinstance(step, list):
            lines += ["", *(f"    {line}" for line in step), ""]
        else:
            if step[0].isdigit() and lines[-1]:
                lines.append("")
            lines += textwrap.wrap(step, _WIDTH, break_long_words=False, break_on_hyphens=False)
    return lines
