"""Deliver stopped anywhere: the packages are untouched, the delivery absent or whole. (Counting stops; losing
what was not synced.)"""

from __future__ import annotations

import errno
import hashlib
import random
from contextlib import suppress
from pathlib import Path

import pytest
from support.disks import LosingDisk, Meter, MeteredDisk, PowerCut, stopped
from support.handover import hand_over, studio
from support.jobs import tree

from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.ledger import LEDGER_NAME
from provpack.errors import EnvironmentProblem
from provpack.package.deliverynote import parse_checksums

FORMS = ("folder", "tar", "zip")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = studio(tmp_path_factory.mktemp("studio"), ids=("T01", "T02"))
    (made / LEDGER_NAME).unlink()
    return made


def whole(delivery: Path) -> bool:
    """Everything the checksums list is there, unchanged, and what the packages' manifests list too."""
    listed, wrong = parse_checksums((delivery / "checksums-sha512.txt").read_bytes())
    if wrong or not listed:
        return False
    manifests = [delivery / path for path in listed if path.endswith("/tagmanifest-sha512.txt")]
    rows = [(delivery / path, digest) for path, digest in listed.items()]
    for tag in manifests:
        for name in ("tagmanifest-sha512.txt", "manifest-sha512.txt"):
            lines = (tag.parent / name).read_text().splitlines()
            rows += [(tag.parent / line[130:], line[:128]) for line in lines]
    return all(p.is_file() and hashlib.sha512(p.read_bytes()).hexdigest() == d for p, d in rows)


def deliveries(destination: Path) -> list[Path]:
    if not destination.exists():
        return []
    return [p for p in destination.iterdir() if not p.name.startswith(PARTIAL_PREFIX)]


def operations(out: Path, destination: Path, form: str) -> int:
    with stopped() as (disk, meter):
        assert hand_over(out, destination, disk=disk, form=form).delivery is not None
    return meter.count


@pytest.mark.parametrize("form", FORMS)
def test_power_cut_at_every_operation(form: str, out: Path, tmp_path: Path) -> None:
    before = tree(out)
    total = operations(out, tmp_path / "whole", form)
    assert whole(tmp_path / "whole/d1")
    assert total > 25
    complete = 0
    for at in range(1, total + 1):
        destination = tmp_path / f"d{at}"
        with stopped(at=at) as (disk, _):
            hand_over(out, destination, disk=disk, form=form)
        found = deliveries(destination)
        assert all(whole(p) for p in found), f"half a delivery after a cut at operation {at}"
        complete += bool(found)
        if at % 9 == 0 and not found:
            assert whole(hand_over(out, destination, form=form).delivery or Path())
    assert tree(out) == before
    # Only cuts after the rename (the sync of the parent folder) leave a delivery.
    assert complete == 1


@pytest.mark.parametrize("form", FORMS)
def test_full_disk_leaves_nothing_behind(form: str, out: Path, tmp_path: Path) -> None:
    before = tree(out)
    total = operations(out, tmp_path / "whole", form)
    for at in range(3, total, 5):
        destination = tmp_path / f"d{at}"
        with (
            stopped(at=at, error=OSError(errno.ENOSPC, "full")) as (disk, _),
            pytest.raises(EnvironmentProblem, match="full"),
        ):
            hand_over(out, destination, disk=disk, form=form)
        left = [p.name for p in destination.iterdir()] if destination.exists() else []
        assert left == [], f"operation {at} left {left}"
    assert tree(out) == before


@pytest.mark.parametrize("form", FORMS)
def test_what_was_not_synced_may_be_lost(form: str, out: Path, tmp_path: Path) -> None:
    """At any cut, with any unsynced thing lost or kept: no half delivery under a final name."""
    dice = random.Random(form)
    root = tmp_path / "memory"
    total = operations(out, tmp_path / "whole", form)
    for at in [*dice.sample(range(1, total), 15), total - 1, total, total + 1]:
        memory = LosingDisk(root)
        meter = Meter(at)
        with suppress(PowerCut):
            hand_over(out, root / "d", disk=MeteredDisk(memory, meter), form=form)
        restored = tmp_path / f"restored-{at}"
        memory.after_power_cut(restored, dice)
        found = deliveries(restored / "d")
        assert all(whole(p) for p in found), f"half a delivery after a cut at operation {at}"
        if at > total:
            assert len(found) == 1
