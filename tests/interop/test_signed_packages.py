"""Signed packages from end to end: wrapped for real, verified by us and by stock ssh-keygen and sha512sum."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from support.jobs import make_job, wrap
from support.signing import ROOM, SPACE, key_of_seed, keygen

from provpack.jobs.progress import Silent
from provpack.jobs.signatures import Signer, signature_examiner
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify import verify_paths
from provpack.jobs.wrapped import Wishes
from provpack.package.signers import parse_signers, signer_line

KEY = key_of_seed(7)
SIG, SIGNED = "tagmanifest-sha512.txt.sig", "tagmanifest-sha512.txt"
LIST = signer_line(ROOM, KEY.public_line(), [SPACE]) + "\n"


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("signed")
    made = wrap(
        make_job(folder / "job"), folder / "out", wishes=Wishes(signer=Signer(principal=ROOM, key=KEY))
    )
    (unit,) = made.units
    assert unit.outcome == "wrapped", made.as_json()
    return folder / "out" / unit.package_name


@pytest.fixture
def package(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / sealed.name))


def check(package: Path, signers: str | None, *, required: bool) -> UnitResult:
    known = parse_signers(signers.encode(), "allowed_signers") if signers is not None else None
    result = verify_paths(
        [package], "bytes", progress=Silent(), clock=lambda: datetime(2026, 11, 25, tzinfo=UTC),
        examiners=[signature_examiner(known, required=required)],
    )  # fmt: skip
    (unit,) = result.units
    return unit


def told(unit: UnitResult) -> tuple[str, str, str, list[str]]:
    """(outcome of fixity, state of the signature, demands, rules about signatures)."""
    (one,) = unit.examined
    return unit.outcome, one.state, unit.demands, [f.rule for f in unit.findings if f.rule.startswith("sig-")]


def test_a_signed_package_is_good_to_us_and_to_stock_tools(package: Path, tool: Callable[[str], str]) -> None:
    tool("ssh-keygen")
    assert told(check(package, LIST, required=True)) == ("good", "valid", "met", [])
    assert not [f for f in check(package, LIST, required=True).findings if f.severity != "note"]
    assert told(check(package, None, required=False)) == ("good", "unvouched", "not_asked", ["sig-unvouched"])
    (package.parent / "allowed_signers").write_text(LIST)
    words = [
        "-Y",
        "verify",
        "-f",
        package.parent / "allowed_signers",
        "-I",
        ROOM,
        "-n",
        SPACE,
        "-s",
        package / SIG,
    ]
    done = keygen(*words, stdin=(package / SIGNED).read_bytes())
    assert done.returncode == 0 and done.stdout.startswith(b"Good"), done.stderr
    # the audio's check needs no signature: the commands of READ-ME-FIRST.txt
    for manifest in ("manifest-sha512.txt", SIGNED):
        subprocess.run([tool("sha512sum"), "-c", "--quiet", manifest], cwd=package, check=True)


def test_the_fixity_of_a_package_never_hangs_on_its_signature(package: Path) -> None:
    for data, state, rule in (
        (key_of_seed(8).sign((package / SIGNED).read_bytes(), SPACE), "foreign", "sig-foreign"),
        (KEY.sign(b"something else", SPACE), "wrong", "sig-wrong"),
        (b"\0" * 50_000, "wrong", "sig-unreadable"),
    ):
        (package / SIG).write_bytes(data)
        assert told(check(package, LIST, required=True)) == ("good", state, "not_met", [rule])
        assert told(check(package, LIST, required=False)) == ("good", state, "not_asked", [rule])
    (package / SIG).unlink()
    assert told(check(package, LIST, required=True)) == ("good", "missing", "not_met", ["sig-missing"])
    assert told(check(package, None, required=False)) == ("good", "missing", "not_asked", [])
    ended = signer_line(ROOM, KEY.public_line(), [SPACE], None, date(2001, 1, 1))
    (package / SIG).write_bytes(KEY.sign((package / SIGNED).read_bytes(), SPACE))
    assert told(check(package, ended, required=True)) == ("good", "expired", "not_met", ["sig-expired"])


def test_a_package_resealed_by_somebody_else_is_intact_but_not_signed(package: Path) -> None:
    # a changed tag file with manifests made anew passes every digest; only the signature tells
    import hashlib

    info = package / "bag-info.txt"
    info.write_bytes(info.read_bytes().replace(b"Source-Organization: ", b"Source-Organization: Not ", 1))
    for name in ("sha256", "sha512"):
        manifest = package / f"tagmanifest-{name}.txt"
        lines = [row.split("  ", 1) for row in manifest.read_text().splitlines()]
        digests = ((hashlib.new(name, (package / path).read_bytes()).hexdigest(), path) for _, path in lines)
        manifest.write_text("".join(f"{digest}  {path}\n" for digest, path in digests))
    assert told(check(package, LIST, required=True)) == ("good", "wrong", "not_met", ["sig-wrong"])
