"""deliver, receive and close as commands: fifty transfers, a read-only medium, another user."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import fits, no_traceback, run, told
from support.handover import CLIENT, OTHER, flip, signer, studio
from support.jobs import tree

from provpack.edge.ledger import LEDGER_NAME

FIFTY = 50
NOBODY = 65534
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return studio(tmp_path_factory.mktemp("studio"), ids=("T01", "T02"), other=("U01",))


def test_results_fit_their_schemas_and_the_text_tells_the_same(out: Path, tmp_path: Path) -> None:
    def twice(kind: str, *words: str | Path, code: int) -> dict[str, Any]:
        values = []
        for folder in ("one", "two"):
            (tmp_path / folder).mkdir(exist_ok=True)
            line = [str(w).replace("HERE", str(tmp_path / folder)) for w in words]
            said = run(kind, *line, *(["--json"] if folder == "one" else []))
            assert said.code == code, said.out + said.err
            no_traceback(said.err)
            values.append(said)
        value = values[0].json()
        fits(kind, value)
        assert values[1].out.splitlines()[-1] == f"Outcome: {value['outcome']} (exit code {code})"
        for finding in told(value):
            assert finding["what"].split()[0] in values[1].out
        return value

    good = twice("deliver", out, "--to", "HERE/d", "--client", CLIENT, "--name", "d1", "--as", "zip", code=0)
    assert good["ledger_lines"] == 2
    shutil.copytree(out, tmp_path / "one/out")
    shutil.copytree(out, tmp_path / "two/out")
    for folder in ("one", "two"):
        flip(tmp_path / folder / "out/job-1_t01/bag-info.txt")
    partly = twice("deliver", "HERE/out", "--to", "HERE/d", "--client", CLIENT, "--name", "d2", code=10)
    assert partly["outcome"] == "partly_done"
    twice("receive", "HERE/d/d1", "--to", "HERE", code=0)
    for folder in ("one", "two"):
        flip(tmp_path / folder / "d/d1/packages/job-1_t01.zip")
        (tmp_path / folder / "receipt-d1.json").rename(tmp_path / folder / "kept.json")
    refused = twice("receive", "HERE/d/d1", "--to", "HERE", code=10)
    assert refused["content"]["conclusion"] == "refused"
    nobody = twice("close", "HERE/kept.json", "--ledger", out, code=13)
    assert nobody["lines_written"] == 0
    # Both receipts are about one delivery: the second is another receipt for what the first closed.
    first = run("close", tmp_path / "one/kept.json", "--ledger", out, "--unvouched", "--json")
    fits("close", first.json())
    assert (first.code, first.json()["lines_written"]) == (1, 2)
    again = run("close", tmp_path / "one/kept.json", "--ledger", out, "--delivery", tmp_path / "one/d/d1")
    assert again.code == 1
    assert "Keep the receipt with the job's papers" in again.out
    wrong = tmp_path / "wrong.json"
    wrong.write_bytes((tmp_path / "one/kept.json").read_bytes().replace(b'"entries": 3', b'"entries": 2'))
    assert wrong.read_bytes() != (tmp_path / "one/kept.json").read_bytes()
    twice("close", wrong, "--ledger", out, code=10)


@pytest.mark.parametrize(
    ("words", "code", "problem"),
    [
        ("deliver {out} --to {tmp}/d", 12, "several-clients"),
        ("deliver {out} --to {tmp}/d --client Nobody", 12, "client-unknown"),
        ("deliver {tmp}/nothing --to {tmp}/d", 12, "no-such-folder"),
        ("deliver {tmp} --to {out}", 12, "no-packages"),
        ("deliver {out} --to {out}/d --client x", 14, "destination-among-packages"),
        ("deliver {out} --to {tmp}/d --as rar", 2, "usage"),
        ("deliver {out}/job-1_t01/bagit.txt --to {tmp}/d", 12, "not-a-folder"),
        ("deliver {out} --to {tmp}/no/where --client x", 15, "no-parent-folder"),
        ("deliver {out} --to {tmp}/d --client Tollvik%20Parish --name=-x", 2, "delivery-name"),
        ("deliver {out} --to {tmp}/d --signer me", 2, "sign-missing"),
        ("receive {tmp}/nothing", 12, "nothing-there"),
        ("receive {tmp} --to {tmp}/x", 14, "destination-in-delivery"),
        ("receive {out}/job-1_t01 --to {tmp}/no/where", 14, "no-such-folder"),
        ("receive {out}/job-1_t01 --to {tmp} --require-signature", 2, "signers-missing"),
        ("close {tmp}/nothing --ledger {out}", 12, "no-receipt"),
        ("close {out}/job-1_t01/bagit.txt --ledger {out}", 12, "document-unreadable"),
        ("close {out}/job-1_t01/data/metadata/block-digests.json --ledger {out}", 13, "receipt-invalid"),
        ("close {tmp}/nothing --ledger {tmp}", 12, "no-ledger"),
        ("close x", 2, "usage"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_said_plainly(
    words: str, code: int, problem: str, out: Path, tmp_path: Path
) -> None:
    line = [w.format(out=out, tmp=tmp_path).replace("%20", " ") for w in words.split()]
    said = run(*line, "--json")
    value = said.json()
    fits("error", value)
    assert (said.code, value["error"]["code"]) == (code, problem), value
    assert "to do:" in said.err
    no_traceback(said.err)


def read_only(folder: Path) -> None:
    for path in [folder, *folder.rglob("*")]:
        path.chmod(path.stat().st_mode & ~0o222 | (0o555 if path.is_dir() else 0o444))


READING = ("--inh-caps=-all,+dac_read_search", "--ambient-caps=-all,+dac_read_search")


def as_another_user(
    words: list[str | Path], cwd: Path, tool: Callable[[str], str]
) -> subprocess.CompletedProcess[bytes]:
    """A process without HOME, and without the rights of root where we have them.

    Where the interpreter lies in root's own home, the other user is allowed to read everything (the
    capability of that name, capabilities(7)), and still to write nothing that is not its own.
    """
    env = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1", "LC_ALL": "C"}
    line = [sys.executable, "-m", "provpack", *map(str, words)]
    if os.getuid() == 0:
        reachable = all(p.stat().st_mode & 0o001 for p in Path(sys.executable).resolve().parents)
        more = () if reachable else READING
        switch = [f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups", *more]
        line = [tool("setpriv"), *switch, *line]
    return subprocess.run(line, cwd=cwd, env=env, capture_output=True, timeout=300, check=False)


def open_to_all(folder: Path) -> None:
    """Others may pass through the folders above (pytest makes them for the owner alone)."""
    for above in [folder, *folder.parents]:
        if above.stat().st_uid == os.getuid() and above != Path("/"):
            above.chmod(above.stat().st_mode | 0o055)


@pytest.fixture(scope="module")
def fifty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    ids = tuple(f"T{n:02}" for n in range(1, FIFTY + 1))
    return studio(tmp_path_factory.mktemp("fifty"), ids=ids, frames=400)


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX permissions")
@pytest.mark.parametrize("form", ["folder", "tar"])
def test_fifty_transfers_from_one_command_taken_in_elsewhere(
    form: str, fifty: Path, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    """One command; a read-only medium; another user; nothing of the studio's."""
    out = Path(shutil.copytree(fifty, tmp_path / "studio" / "out"))
    mine = signer(tmp_path / "studio" / "key", "studio@grauwell")
    said = run(
        "deliver", out, "--to", tmp_path / "medium", "--as", form, "--name", "d50",
        "--sign", tmp_path / "studio/key/studio@grauwell", "--json",
    )  # fmt: skip
    assert said.code == 0, said.out + said.err
    assert len(said.json()["units"]) == FIFTY
    delivery = tmp_path / "medium" / "d50"
    note = json.loads((delivery / "delivery-note.json").read_bytes())
    assert note["totals"]["packages"] == FIFTY
    index = (delivery / "index.html").read_text()
    assert all(package["name"] in index for package in note["packages"])
    assert (delivery / "delivery-note.html").is_file()
    shutil.move(tmp_path / "studio" / "out", tmp_path / "away")  # the studio's files are not there
    read_only(tmp_path / "medium")
    desk = tmp_path / "desk"
    desk.mkdir(mode=0o777)
    desk.chmod(0o777)
    keys = desk / "keys-i-trust"
    keys.write_text(f'studio@grauwell namespaces="provpack-*" {mine.public_line}\n')
    open_to_all(tmp_path)
    before = tree(delivery)
    done = as_another_user(["receive", delivery, "--signers", keys, "--json"], desk, tool)
    shutil.move(tmp_path / "away", out)
    assert done.returncode == 0, done.stdout.decode() + done.stderr.decode()
    value = json.loads(done.stdout)
    fits("receive", value)
    assert value["content"]["note_signature"] == "valid"
    assert len(value["units"]) == FIFTY
    assert {u["outcome"] for u in value["units"]} == {"good"}
    assert tree(delivery) == before
    assert sorted(p.name for p in desk.iterdir()) == ["keys-i-trust", "receipt-d50.json"]
    if os.getuid() == 0:
        assert (desk / "receipt-d50.json").stat().st_uid == NOBODY
    closed = run("close", desk / "receipt-d50.json", "--ledger", out, "--unvouched", "--json").json()
    assert (closed["lines_written"], closed["outcome"]) == (FIFTY, "warnings")


def test_progress_is_told_in_bytes_of_all_packages(out: Path, tmp_path: Path) -> None:
    from provpack.cli.handover import deliver_ports
    from provpack.jobs.deliver import deliver
    from provpack.jobs.delivered import Wishes

    class Told:
        def __init__(self) -> None:
            self.steps: list[list[Any]] = []

        def begin(self, label: str, total: int) -> None:
            self.steps.append([label, total, 0])

        def advance(self, amount: int) -> None:
            self.steps[-1][2] += amount

    progress = Told()
    deliver([out], tmp_path / "d", deliver_ports(progress), Wishes(client=OTHER, name="d1"))
    label, total, done = progress.steps[-1]
    assert label == "delivering 1 package"
    assert total == done == sum(len(v) for v in tree(out / "job2-1_u01").values())


def test_the_mode_of_a_medium_does_not_matter(out: Path, tmp_path: Path) -> None:
    """A package folder that nobody may write, as on a disc: delivered and received all the same."""
    source = tmp_path / "out"
    shutil.copytree(out, source)
    (source / LEDGER_NAME).unlink()
    read_only(source)
    said = run("deliver", source, "--to", tmp_path / "d", "--client", OTHER, "--name", "d1", "--json")
    assert said.code == 1
    assert {f["rule"] for f in said.json()["findings"]} == {"deliver-no-ledger"}
    mode = stat.S_IMODE((tmp_path / "d/d1/packages/job2-1_u01/bagit.txt").stat().st_mode)
    assert mode & 0o200
