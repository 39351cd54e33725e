"""Coverage-guided fuzzing: `python tests/fuzz/run.py TARGET[:SECONDS] ... [--seconds N]`. Needs atheris.

Targets run one after the other, each in a process of its own. Inputs found are kept in --work (default: a
folder of the system's temporary one); what breaks a target is written there as `crash-*`, what takes too long
as `timeout-*`, and the exit code is 1. What each run did is appended to `runs.jsonl` there. keep.py makes the
small corpus of it. The program fuzzed is that of the checkout this file stands in.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import re
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS)]

import atheris  # noqa: E402 - the path comes first

with contextlib.redirect_stderr(io.StringIO()), atheris.instrument_imports(include=["provpack", "mutagen"]):
    import mutagen.flac  # noqa: F401 - else it would be imported late, and not instrumented

    from fuzz.mutate import mutated
    from fuzz.seeds import reference_seeds, seeds
    from fuzz.targets import TARGETS

CORPUS = TESTS / "fuzz" / "corpus"
FROM_REFERENCE = "-from-reference"
"""Ends the name of a folder whose inputs come from reference files, so that none gets into the corpus."""
LARGEST = 16_384
TIMEOUT_S = 20
MEMORY_MB = 2048


def fuzz(name: str, seconds: int, seed: int, found: Path, given: list[bytes]) -> None:
    """Fuzz one target until the time is up or something breaks; libFuzzer ends the process."""
    run = TARGETS[name]

    def one(data: bytes) -> None:
        run(data)

    def change(data: bytes, most: int, dice: int) -> bytes:
        rng = random.Random(dice)
        if rng.random() < 0.4:
            return bytes(atheris.Mutate(data, most))
        return mutated(name, data, rng)[:most]

    largest = max(LARGEST, 2 * max(map(len, given)))
    libfuzzer = [
        sys.argv[0], f"-max_total_time={seconds}", f"-seed={seed}", f"-max_len={largest}",
        f"-timeout={TIMEOUT_S}", f"-rss_limit_mb={MEMORY_MB}", "-print_final_stats=1",
        f"-artifact_prefix={found}/", str(found), *([str(CORPUS / name)] if (CORPUS / name).is_dir() else []),
    ]  # fmt: skip
    atheris.Setup(libfuzzer, one, custom_mutator=change)
    atheris.Fuzz()


def in_a_child(name: str, seconds: int, seed: int, work: Path, *, reference: bool) -> bool:
    """Fuzz in a child process with its words in a log; whether nothing broke."""
    found = work / (f"{name}{FROM_REFERENCE}" if reference else name)
    found.mkdir(parents=True, exist_ok=True)
    given = [*seeds()[name], *(reference_seeds(name) if reference else ())]
    for n, data in enumerate(given):
        (found / f"seed-{n:03d}").write_bytes(data)
    log, begun = work / f"{found.name}.log", time.monotonic()
    child = os.fork()
    if child == 0:
        with log.open("wb") as words:
            os.dup2(words.fileno(), 1)
            os.dup2(words.fileno(), 2)
        fuzz(name, seconds, seed, found, given)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    said = log.read_text(encoding="utf-8", errors="replace")
    executed = re.search(r"number_of_executed_units: (\d+)", said)
    reached = re.findall(r"cov: (\d+) ft: (\d+)", said) or [("0", "0")]
    told = {
        "target": name, "reference": reference, "code": code, "seconds": round(time.monotonic() - begun),
        "executions": int(executed[1]) if executed else 0, "edges": int(reached[-1][0]), "log": str(log),
    }  # fmt: skip
    with (work / "runs.jsonl").open("a", encoding="utf-8") as runs:
        runs.write(json.dumps(told) + "\n")
    print(json.dumps(told), flush=True)
    return code == 0


def main() -> int:
    """See the top of this file."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"Default: all of {', '.join(TARGETS)}.")
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "provpack-fuzz")
    parser.add_argument("--reference", action="store_true", help="Begin with reference files, too.")
    wishes = parser.parse_args()
    whole = True
    for asked in wishes.targets or TARGETS:
        name, _, seconds = asked.partition(":")
        if name not in TARGETS:
            parser.error(f"there is no target {name}")
        whole &= in_a_child(
            name, int(seconds or wishes.seconds), wishes.seed, wishes.work, reference=wishes.reference
        )
    return 0 if whole else 1


if __name__ == "__main__":
    sys.exit(main())
