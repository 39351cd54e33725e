"""`verify` of signed packages: the last line, and what is told once for many packages."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from cli.commandline import fits, run
from support.jobs import make_job
from support.signing import ROOM, SPACE, key_of_seed

from provpack.edge import clock
from provpack.edge.sshkeys import make_key
from provpack.package.signers import signer_line

LONG_AGO = date(2001, 1, 1)


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two signed packages in `out`, and lists of signers beside them."""
    top = tmp_path_factory.mktemp("signed")
    key = make_key(top / "key", ROOM)
    for n in (1, 2):
        make_job(top / f"job{n}", frames=2000)
        assert run("wrap", top / f"job{n}", "--to", top / f"out{n}", "--sign", top / "key").code in (0, 1)
    for name, line in {
        "ours": signer_line(ROOM, key.public_line(), [SPACE]),
        "others": signer_line(ROOM, key_of_seed(5).public_line(), [SPACE]),
        "before": signer_line(ROOM, key.public_line(), [SPACE], None, LONG_AGO),
    }.items():
        (top / name).write_text(line + "\n")
    return top


def told(top: Path, *words: str | Path) -> tuple[int, dict[str, object], list[str]]:
    line = ["verify", top / "out1", top / "out2", "--no-ledger", *words]
    value, text = run(*line, "--json"), run(*line)
    fits("verify", value.json())
    assert value.code == text.code == value.json()["exit_code"]
    return text.code, value.json(), text.out.splitlines()


def test_what_is_the_same_for_all_is_told_once(signed: Path) -> None:
    _, value, lines = told(signed)
    units = value["units"]
    assert isinstance(units, list) and len(units) == 2
    assert [sum(f["rule"] == "sig-unvouched" for f in u["findings"]) for u in units] == [1, 1]
    assert sum("(sig-unvouched" in line for line in lines) == 1
    text = " ".join(" ".join(lines).split())
    assert "NOTE 2 packages The signatures of 2 packages fit, but no list of signers was named" in text
    one = run("verify", signed / "out1", "--no-ledger").out
    assert one.count("(sig-unvouched") == 1 and "2 packages" not in one


LAST = {
    "ours": (0, "good", "Outcome: good (exit code 0)"),
    "others": (13, "good", "Outcome: intact, but not as asked (exit code 13)"),
    "before": (13, "good", "Outcome: intact, but not as asked (exit code 13)"),
}


@pytest.mark.parametrize("name", LAST)
def test_the_last_line_does_not_call_good_what_is_not_as_asked(signed: Path, name: str) -> None:
    code, value, lines = told(signed, "--signers", signed / name, "--require-signature")
    expected, outcome, last = LAST[name]
    assert (code, value["outcome"]) == (expected, outcome)
    assert lines[-1] == last


def test_a_key_that_expired_since_is_told_and_meets_no_demand(
    signed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The packages claim to be sealed now; the check comes when the key is not on the list any more."""
    today = datetime.now(UTC).date()
    public = (signed / "key.pub").read_text()
    listed = signer_line(ROOM, public, [SPACE], None, today + timedelta(days=2))
    (signed / "until").write_text(listed + "\n")
    words = ["--signers", signed / "until"]
    assert told(signed, *words, "--require-signature")[0] == 0
    real = clock.now
    monkeypatch.setattr(clock, "now", lambda: real() + timedelta(days=30))
    code, value, lines = told(signed, *words)
    assert (code, value["outcome"]) == (1, "good") and "sig-expired-since" in "\n".join(lines)
    code, value, lines = told(signed, *words, "--require-signature")
    assert (code, value["demands"]) == (11, "could_not_check")
    assert lines[-1] == "Outcome: intact; what was asked could not be checked (exit code 11)"


def test_what_is_not_intact_is_bad_whatever_was_asked(signed: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(signed / "out1", copy)
    next(copy.rglob("record.json")).write_bytes(b"{}")
    words = ["--signers", signed / "others", "--require-signature"]
    said = run("verify", copy, "--no-ledger", *words)
    assert (said.code, said.out.splitlines()[-1]) == (10, "Outcome: bad (exit code 10)")
