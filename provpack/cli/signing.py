"""Options about signatures, the same on every command that signs or checks signatures."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from provpack.errors import InputProblem, UsageProblem

if TYPE_CHECKING:
    from provpack.jobs.signatures import Signer
    from provpack.jobs.verified import Examiner
    from provpack.package.signers import Signers

F = Callable[..., Any]
_FILE = click.Path(path_type=Path)
_MAX_PASSPHRASE = 4096


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
    from provpack.cli.output import for_terminal
    from provpack.edge.sshkeys import load_key
    from provpack.jobs.signatures import check_name, signer_of

    if signer is not None:
        check_name(signer)  # before anybody is asked for a passphrase
    key = load_key(sign, _asker(sign, passphrase_file))
    for finding in key.findings:
        click.echo(f"provpack: {for_terminal(finding.what)} {for_terminal(finding.todo)}", err=True)
    return signer_of(key, signer, sign)


def _asker(sign: Path, passphrase_file: Path | None) -> Callable[[], str] | None:
    if passphrase_file is not None:
        return lambda: _passphrase_in(passphrase_file)
    if not sys.stdin.isatty():
        return None

    def ask() -> str:
        answer: str = click.prompt(
            f"Passphrase of {sign}", hide_input=True, default="", show_default=False, err=True
        )
        return answer

    return ask


def _passphrase_in(path: Path) -> str:
    """The first line of the file, without its end."""
    from provpack.edge.commit import explain

    try:
        with path.open("rb") as file:
            data = file.read(_MAX_PASSPHRASE + 1)
        if len(data) > _MAX_PASSPHRASE:
            raise ValueError
        return data.decode("utf-8").partition("\n")[0].removesuffix("\r")
    except OSError as err:
        raise explain(err, path, "read the passphrase") from None
    except ValueError:
        raise InputProblem(
            "passphrase-file",
            "This is no file with a passphrase: one short line of text is expected.",
            where=str(path),
            todo="Write the passphrase alone into a file that only you can read.",
        ) from None


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


def signature_examiners(signers: Signers | None, require_signature: bool) -> list[Examiner]:
    """The examiner of signatures, for verify_paths."""
    from provpack.jobs.signatures import signature_examiner

    return [signature_examiner(signers, required=require_signature)]
