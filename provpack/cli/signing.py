"""Options about signatures, the same on every command that signs or checks signatures."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from provpack.cli.verifyoptions import Named
from provpack.errors import InputProblem, UsageProblem

if TYPE_CHECKING:
    from provpack.edge.sshkeys import SigningKey
    from provpack.findings import Finding
    from provpack.jobs.signatures import Signer
    from provpack.jobs.verified import Examiner
    from provpack.package.signers import Signers

F = Callable[..., Any]
_FILE = Named(path_type=Path)
_TRIES = 3
"""How often a passphrase may be typed, as ssh-keygen and ssh let people try (from memory)."""


def sign_options(function: F) -> F:
    """`--sign`, `--passphrase-file`, `--signer`: arguments sign, passphrase_file, signer."""
    for option in (
        click.option(
            "--signer", metavar="NAME",
            help="Name of the signer in the list of signers; the key's comment unless given.",
        ),
        click.option(
            "--passphrase-file", type=_FILE, metavar="FILE",
            help="File that holds the passphrase of the key; without it you are asked.",
        ),
        click.option(
            "--sign", type=_FILE, metavar="KEY",
            help="Sign with this private Ed25519 key, as ssh-keygen makes them.",
        ),
    ):  # fmt: skip
        function = option(function)
    return function


def check_options(function: F) -> F:
    """`--signers`, `--require-signature`: arguments signers, require_signature."""
    for option in (
        click.option(
            "--require-signature", is_flag=True,
            help="A package must be signed by a key in the list of signers.",
        ),
        click.option(
            "--signers", type=_FILE, metavar="FILE",
            help="List of trusted signers (allowed_signers, as ssh-keygen reads it).",
        ),
    ):  # fmt: skip
        function = option(function)
    return function


def open_signer(sign: Path | None, passphrase_file: Path | None, signer: str | None) -> Signer | None:
    """The key of --sign with the signer's name; None when nothing is to be signed.

    What is to be said about the key's file (others can read it) is said on standard error. Raises
    UsageProblem, InputProblem, EnvironmentProblem.
    """
    if sign is None:
        for option, value in (("--passphrase-file", passphrase_file), ("--signer", signer)):
            if value is not None:
                raise UsageProblem(
                    "sign-missing",
                    f"{option} goes with --sign only.",
                    where="the command line",
                    todo="Name the key with --sign KEY, or leave it out.",
                )
        return None
    from provpack.edge.sshkeys import load_key
    from provpack.jobs.signatures import check_name, signer_of

    if signer is not None:
        check_name(signer)  # before anybody is asked for a passphrase
    if passphrase_file is not None:
        key = load_key(sign, lambda: _passphrase_in(passphrase_file))
    elif sys.stdin.isatty():
        key = _load_asking(sign)
    else:
        key = load_key(sign, None)
    _tell(key.findings)
    return signer_of(key, signer, sign)


def _tell(findings: Iterable[Finding]) -> None:
    from provpack.cli.output import for_terminal

    for finding in findings:
        click.echo(f"provpack: {for_terminal(finding.what)} {for_terminal(finding.todo)}", err=True)


def _load_asking(sign: Path) -> SigningKey:
    """The key, with its passphrase typed on the terminal; a wrong one may be typed again."""
    from provpack.cli.output import for_terminal
    from provpack.edge.sshkeys import load_key

    def ask() -> str:
        try:
            answer: str = click.prompt(
                f"Passphrase of {for_terminal(str(sign))}", hide_input=True, default="", show_default=False,
                err=True,
            )  # fmt: skip
        except UnicodeDecodeError:
            raise InputProblem(
                "key-passphrase",
                "What was typed is no text in the encoding of this terminal.",
                where=str(sign),
                todo="Type it again, or write the passphrase alone into a file that only you can read, and "
                "name that: --passphrase-file FILE.",
            ) from None
        return answer

    for left in reversed(range(_TRIES)):
        try:
            return load_key(sign, ask)
        except InputProblem as err:
            if err.code != "key-passphrase" or not left:
                raise
            again = "once more" if left == 1 else f"{left} times more"
            click.echo(f"provpack: {for_terminal(err.what)} You can try {again}.", err=True)
    raise AssertionError


def _passphrase_in(path: Path) -> str:
    """The passphrase in a file; that others can read it is said on standard error."""
    from provpack.edge.sshkeys import read_passphrase

    passphrase, findings = read_passphrase(path)
    _tell(findings)
    return passphrase


def read_signers(signers: Path | None, required: bool = False) -> Signers | None:
    """The list named with --signers; its findings are to be told once, with the result of the run.

    required: a signature must be there. Raises UsageProblem when it then has no list to be judged by,
    InputProblem, EnvironmentProblem.
    """
    from provpack.edge.sshkeys import load_signers

    if required and signers is None:
        raise UsageProblem(
            "signers-missing",
            "Whether the right one signed can be told by a list of signers only.",
            where="--require-signature",
            todo="Name the list with --signers FILE.",
        )
    return load_signers(signers) if signers is not None else None


def signature_makers(
    signers: Signers | None, require_signature: bool, *, now: datetime | None = None
) -> list[Callable[[], Examiner]]:
    """What makes the examiner of signatures wherever a check runs (CheckSpec.examiner_makers). now: see
    jobs.signatures.judge_signature."""
    from provpack.jobs.signatures import signature_examiner

    return [partial(signature_examiner, signers, required=require_signature, now=now)]
