"""A share that cannot sync a folder: whoever writes there says so once, and what was written is whole.

Which numbers such file systems answer with: fsync(2), EINVAL ("fd is bound to a special file which does not
support synchronization"); ENOTSUP from memory, of network shares.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from cli.commandline import fits, run
from support.copies import NAME, copied, make_package
from support.handover import studio

from provpack.jobs.notsynced import FOLDER_NOT_SYNCED

Words = Callable[[Path], list[str | Path]]
WORKS: dict[str, Words] = {
    "heal": lambda top: ["heal", top / "copy-1" / NAME, top / "copy-2" / NAME, "--to", top / "healed"],
    "deliver": lambda top: ["deliver", top / "studio/out", "--to", top / "to", "--name", "d2"],
    "receive": lambda top: ["receive", top / "to/d1", "--to", top / "receipts"],
    "catalogue": lambda top: ["catalogue", "rebuild", top / "studio/out", "--catalogue", top / "c.sqlite"],
}
MADE = {
    "heal": f"healed/{NAME}/bagit.txt", "deliver": "to/d2/delivery-note.json",
    "receive": "receipts/receipt-d1.json", "catalogue": "c.sqlite",
}  # fmt: skip


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two copies of a damaged package, and a shelf with a delivery."""
    top = tmp_path_factory.mktemp("world")
    original = make_package(top / "original" / NAME, blocks=20)
    copies = list(copied(original, top, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    shelf = studio(top / "studio", ids=("T01", "T02"), frames=20_000)
    assert run("deliver", shelf, "--to", top / "to", "--name", "d1").code in (0, 1)
    (top / "receipts").mkdir()
    return top


@pytest.mark.parametrize("work", WORKS)
def test_it_is_said_once_and_no_more_where_folders_can_be_synced(
    work: str, world: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number, real = errno.EINVAL if work != "deliver" else errno.ENOTSUP, os.fsync
    asked: list[Path] = []

    def fsync(fd: int) -> None:
        path = Path(f"/proc/self/fd/{fd}").readlink()
        if path.is_dir():
            asked.append(path)
            raise OSError(number, os.strerror(number))
        real(fd)

    monkeypatch.setattr(os, "fsync", fsync)
    said = run(*WORKS[work](world), "--json")
    fits(work, said.json())
    told = [one for one in said.json()["findings"] if one["rule"] == FOLDER_NOT_SYNCED.id]
    assert said.code in (0, 1) and asked and (world / MADE[work]).is_file()
    assert len(told) == 1 and Path(told[0]["where"]) in asked
    monkeypatch.undo()
    if work == "catalogue":
        assert FOLDER_NOT_SYNCED.id not in run(*WORKS[work](world), "--json").out
    assert run("verify", world / "studio/out", "--no-ledger").code == 0


def test_people_read_it_too(world: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("provpack.edge.commit.sync_folder", lambda path: False)
    said = run("receive", world / "to/d1", "--to", tmp_path)
    assert "cannot sync a folder" in " ".join(said.out.split()) and "place-folder-not-synced" in said.out
