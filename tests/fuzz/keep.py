"""The small corpus out of what fuzzing found, and how much of each reader it reaches.

    python tests/fuzz/keep.py [--work FOLDER] [TARGET ...]     write corpus/<target>/
    python tests/fuzz/keep.py --coverage [TARGET ...]          print lines and branches reached

Kept is, beyond the seeds, what reaches the most new ways from one line to the next, at most MOST_FILES and
MOST_BYTES a target; files named `fault-*`, that once broke a target, always. What began with a reference file
never comes into it (run.py keeps that apart). Needs coverage for --coverage.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from types import FrameType
from typing import Any

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS)]
PROGRAM = str(TESTS.parent / "provpack") + os.sep
CORPUS = TESTS / "fuzz" / "corpus"
MOST_FILES = 30
MOST_BYTES = 32 * 1024
LONGEST_LOOK_S = 30
"""Processor seconds spent on the inputs of one target."""
FROM_REFERENCE = "-from-reference"

READERS = {
    "chunks_walk": "chunks/walk chunks/headers chunks/ds64 chunks/essence chunks/fmt",
    "chunks_embedded": "chunks/embedded chunks/lists chunks/ixml jobs/inspect",
    "bext": "chunks/bext", "coding_history": "chunks/history", "cue": "chunks/markers",
    "adtl": "chunks/markers chunks/lists", "info": "chunks/info chunks/lists", "axml": "xmldoc",
    "ixml": "chunks/ixml", "chna": "chunks/chna", "fmt": "chunks/fmt", "master_plan": "chunks/plan",
    "flac_tags": "edge/tags", "sound_facts": "edge/audio",
    "frames": "measure/pcm measure/block measure/levels jobs/measuring",
    "bagit_txt": "package/bagdeclaration", "bag_manifest": "package/bagtext package/bagpaths",
    "bag_fetch": "package/bagtext", "bag_info": "package/baginfo", "bag_names": "package/bagpaths",
    "bag_structure": "package/bagcheck package/bagcover package/bagdisk",
    "bag_profile": "package/bagprofile package/bagprofile_read package/bagprofile_glob "
    "package/bagprofile_json",
    "client_needs": "package/clientneeds package/needcheck",
    "archive_tar": "package/archivetar package/archivebytes package/archive",
    "archive_zip": "package/archivezip package/archivezipname package/archive",
    "block_digests": "package/bagblocks", "checksums": "package/deliverynote",
    "harvested_package": "jobs/harvestpackage jobs/harvestrecord jobs/harvestparts",
    "ledger": "package/ledgerchain package/ledgerbreaks package/ledgerpaths package/ledgerorder "
    "package/ledgertorn",
    "ledger_told": "package/custodystate jobs/harvestledger edge/ledger edge/ledgerend",
    "bench_log": "edge/benchlog edge/benchlines edge/chainedfile edge/chainedend",
    "bench_fold": "package/benchfold package/benchstate",
    "ssh_signature": "package/sshsig package/sshwire", "ssh_signers": "package/signers",
    "ssh_key": "edge/sshkeys package/keystretch",
    "record": "model/recordrules model/judge_signal model/judge_chain model/judge_lineage "
    "model/judge_custody",
    "record_and_blocks": "jobs/verify_meaning", "documents": "package/documents package/healnote",
    "receipt": "package/receipt", "premis": "package/premis_check package/premis",
    "metadata": "package/metadata_check", "sheet_csv": "edge/tables",
    "sheet_cell": "jobs/cells jobs/celltimes",
    "sheet_toml": "edge/tomlfile jobs/register", "sheet_job": "jobs/load jobs/check jobs/merge jobs/declared",
    "times": "model/formats model/rates jobs/celltimes", "options": "model/ages jobs/typedvalues",
    "file_names": "package/names", "addresses": "edge/remoteaddress", "listing_s3": "edge/remotenames",
    "listing_web": "edge/remotehttp",
}  # fmt: skip
"""The modules each target is about; what it reaches of others is not counted."""


def inputs_of(name: str, work: Path, *, reference: bool) -> list[bytes]:
    """Everything that was found for a target, each once, the smallest first."""
    folders = [CORPUS / name, work / name] + [work / f"{name}{FROM_REFERENCE}"] * reference
    files = [p for folder in folders if folder.is_dir() for p in folder.iterdir() if p.is_file()]
    return sorted({p.read_bytes() for p in files}, key=lambda d: (len(d), d))


def quietly(run: Any, data: bytes) -> None:
    """Run; what breaks here is for the tests to tell."""
    try:
        run(data)
    except Exception as err:
        print(f"  {type(err).__name__}: {str(err)[:120]}", file=sys.stderr)


def ways(run: Any, data: bytes) -> frozenset[tuple[int, int, int]]:
    """The ways from line to line inside the program that an input takes."""
    taken: set[tuple[int, int, int]] = set()

    def trace(frame: FrameType, event: str, _: object) -> Any:
        if not frame.f_code.co_filename.startswith(PROGRAM):
            return None
        file, last = hash(frame.f_code.co_filename), 0

        def inside(inner: FrameType, what: str, _: object) -> Any:
            nonlocal last
            if what == "line":
                taken.add((file, last, inner.f_lineno))
                last = inner.f_lineno
            return inside

        return inside

    sys.settrace(trace)
    try:
        quietly(run, data)
    finally:
        sys.settrace(None)
    return frozenset(taken)


def chosen(given: Iterable[bytes], found: Iterable[bytes], run: Any) -> list[bytes]:
    """The few of found that add the most to what the given reach."""
    known: set[tuple[int, int, int]] = set()
    for data in given:
        known |= ways(run, data)
    small = [data for data in found if len(data) <= MOST_BYTES // 4]
    random.Random(1).shuffle(small)
    left, until = [], time.process_time() + LONGEST_LOOK_S
    for data in small:
        if time.process_time() < until:
            left.append((data, ways(run, data) - known))
    kept: list[bytes] = []
    while left and len(kept) < MOST_FILES:
        data, new = max(left, key=lambda one: len(one[1]) / (200 + len(one[0])))
        if not new:
            break
        if sum(map(len, kept)) + len(data) <= MOST_BYTES:
            kept.append(data)
            known |= new
        left = [(d, w - known) for d, w in left if d is not data]
    return kept


def write_corpus(name: str, work: Path) -> None:
    """corpus/<name>/ anew; what once broke it stays."""
    from fuzz.seeds import seeds
    from fuzz.targets import TARGETS

    folder = CORPUS / name
    folder.mkdir(parents=True, exist_ok=True)
    faults = [p.read_bytes() for p in sorted(folder.glob("fault-*"))]
    kept = chosen([*seeds()[name], *faults], inputs_of(name, work, reference=False), TARGETS[name])
    room = MOST_BYTES - sum(map(len, faults))
    for old in folder.iterdir():
        if not old.name.startswith("fault-"):
            old.unlink()
    for data in kept[: MOST_FILES - len(faults)]:
        room -= len(data)
        if room >= 0:
            (folder / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)
    files = list(folder.iterdir())
    print(f"{name}: {len(files)} files, {sum(p.stat().st_size for p in files)} bytes")


def report_coverage(name: str, work: Path) -> None:
    """Per cent of lines and branches of the target's own modules that all inputs reach."""
    import coverage

    measuring = coverage.Coverage(branch=True, data_file=None, include=[f"{PROGRAM}*"], config_file=False)
    measuring.start()
    from fuzz.seeds import reference_seeds, seeds
    from fuzz.targets import TARGETS

    for data in [*seeds()[name], *reference_seeds(name), *inputs_of(name, work, reference=True)]:
        quietly(TARGETS[name], data)
    measuring.stop()
    lines = missed = branches = not_taken = 0
    for module in READERS[name].split():
        numbers = measuring._analyze(f"{PROGRAM}{module}.py").numbers
        lines, missed = lines + numbers.n_statements, missed + numbers.n_missing
        branches, not_taken = branches + numbers.n_branches, not_taken + numbers.n_missing_branches
    of_lines, of_branches = 100 - 100 * missed / max(lines, 1), 100 - 100 * not_taken / max(branches, 1)
    print(
        f"{name}: {of_lines:.0f} % of {lines} lines, {of_branches:.0f} % of {branches} branches", flush=True
    )


def main() -> None:
    """See the top of this file."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("targets", nargs="*", metavar="TARGET")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "provpack-fuzz")
    parser.add_argument("--coverage", action="store_true")
    wishes = parser.parse_args()
    names = wishes.targets or list(READERS)
    for name in names:
        if not wishes.coverage:
            write_corpus(name, wishes.work)
        elif len(names) == 1:
            report_coverage(name, wishes.work)
        else:  # each in a process of its own, so that the lines of imports count for each
            again = [sys.executable, __file__, "--coverage", "--work", str(wishes.work), name]
            subprocess.run(again, check=True)


if __name__ == "__main__":
    main()
