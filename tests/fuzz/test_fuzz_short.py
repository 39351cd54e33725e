"""The short run: each target over its seeds, its corpus and a fixed number of changed inputs.

The long run is `python tests/fuzz/run.py TARGET`, see there. The laws are our own: our error or a result, in
bounded time and memory (tests/fuzz/law.py).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from support.worktime import at_most

from fuzz.keep import MOST_BYTES, MOST_FILES, READERS
from fuzz.law import MOST_SECONDS, PART, TARGETS, Broken, Target, TooLong, bounded, lawful, target, told
from fuzz.mutate import MUTATORS, mutated
from fuzz.seeds import seeds
from fuzz.targets import TARGETS as ALL
from provpack.errors import Bug, InputProblem
from provpack.findings import Finding

CORPUS = Path(__file__).parent / "corpus"
CHANGED = 30
LONG = 100_000
FEW = {"frames": 3, "sheet_job": 2, "client_needs": 8, "record": 5, "metadata": 5, "harvested_package": 5,
       "record_and_blocks": 5, "documents": 10, "sheet_csv": 10, "ledger": 10, "ledger_told": 10,
       "bench_log": 10}  # fmt: skip
"""Fewer for the slow ones."""


@pytest.mark.parametrize("name", sorted(ALL))
def test_the_law_holds(name: str) -> None:
    kept = [path.read_bytes() for path in sorted((CORPUS / name).glob("*"))]
    rng = random.Random(f"short {name}")
    begin = [*seeds()[name], *kept]
    ALL[name](begin[0])  # what is loaded and kept once is not counted
    inputs = [*begin, *(mutated(name, rng.choice(begin), rng) for _ in range(FEW.get(name, CHANGED)))]
    for data in (b"", PART, *inputs):
        try:
            bounded(ALL[name], data)
        except Exception as err:
            pytest.fail(f"{name} on {data[:2000]!r}: {type(err).__name__}: {err}")


@pytest.mark.parametrize("name", sorted(set(ALL) - {"frames", "sheet_job", "bag_structure"}))
def test_a_long_run_of_one_character_takes_no_time(name: str) -> None:
    """Patterns that try each division of such a run take minutes; a pass over it takes a hundredth second."""
    parts = seeds()[name][0].split(PART)
    for n, part in enumerate(parts):
        for word in (b" ", b"a"):
            long = part[: len(part) // 2] + word * LONG + part[len(part) // 2 :]
            with at_most(MOST_SECONDS, f"{word!r} in part {n}"):
                ALL[name](PART.join([*parts[:n], long, *parts[n + 1 :]]))


def test_every_target_says_its_law_in_one_sentence_and_has_seeds() -> None:
    for name, run in ALL.items():
        sentence = " ".join((run.__doc__ or "").split())
        assert sentence.endswith(".") and sentence.count(". ") == 0, f"{name}: {sentence}"
    assert set(seeds()) == set(ALL) == set(READERS) == {*ALL, *MUTATORS}
    assert {path.name for path in CORPUS.iterdir()} <= set(ALL)
    for modules in READERS.values():
        assert all((CORPUS.parents[2] / "provpack" / f"{name}.py").is_file() for name in modules.split())


@pytest.mark.parametrize("name", sorted(ALL))
def test_the_corpus_stays_small(name: str) -> None:
    files = sorted((CORPUS / name).glob("*"))
    assert len(files) <= MOST_FILES and sum(p.stat().st_size for p in files) <= MOST_BYTES


def test_changed_inputs_are_the_same_each_time() -> None:
    for name, given in seeds().items():
        once, again = (mutated(name, given[0], random.Random(n)) for n in (5, 5))
        assert once == again
        different = {mutated(name, given[0], random.Random(n)) for n in range(20)}
        assert len(different) > 5, name


# -- the laws are enforced ---------------------------------------------------------------------------


def broken_by(function: Target, monkeypatch: pytest.MonkeyPatch) -> Target:
    """The function as a target, which is not kept."""
    monkeypatch.setattr("fuzz.law.TARGETS", {})
    return target(function)


@pytest.mark.parametrize("fault", [KeyError("x"), Bug("b", "w", where="w", todo="t"), RecursionError()])
def test_no_other_error_is_lawful(fault: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    def reader(data: bytes) -> None:
        """Breaks."""
        raise fault

    with pytest.raises(type(fault)):
        broken_by(reader, monkeypatch)(b"")


def test_our_own_error_is_lawful_when_it_says_all(monkeypatch: pytest.MonkeyPatch) -> None:
    def reader(data: bytes) -> None:
        """Refuses."""
        raise InputProblem("c", "what", where="where", todo=data.decode())

    run = broken_by(reader, monkeypatch)
    run(b"do this")
    with pytest.raises(Broken):
        run(b"")


def test_findings_must_say_something() -> None:
    good = Finding(rule="a-b", severity="note", what="w", where="w", todo="t")
    told([good])
    with pytest.raises(Broken):
        told([Finding(rule="a-b", severity="note", what="w", where="", todo="t")])


def test_time_and_memory_are_bounded() -> None:
    def hangs(data: bytes) -> None:
        while data:
            pass

    with pytest.raises(TooLong):
        bounded(hangs, b"x", seconds=0.1)
    with pytest.raises(Broken):
        bounded(lambda data: lawful(len(bytearray(len(data) << 20)), ""), b"xx", most=1 << 20)
    bounded(hangs, b"")
    assert TARGETS is ALL
