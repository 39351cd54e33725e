"""Very many packages: what a run keeps of each is small, and its JSON is written without ever being whole."""

from __future__ import annotations

import gc
import hashlib
import io
import json
import tracemalloc
from collections.abc import Callable, Generator, Iterable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support.fleet import fixed, small_bags

from provpack.cli.main import main
from provpack.cli.output import json_parts
from provpack.jobs.fleet import verify_found
from provpack.jobs.progress import Silent
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.unitspacked import PackedUnits
from provpack.jobs.verified import Examined, UnitResult, VerifyResult
from provpack.jobs.verify_find import Found
from provpack.package import rules
from provpack.package.bagblocks import BlockRange, Damage

FEW, MANY = 500, 2000
MOST = 700
"""Bytes that may be kept of a good package."""


def result(number: int, path: str = "/shelf") -> UnitResult:
    """As a sealed package of ours comes out, all of it its own."""
    sha512 = hashlib.sha512(b"%d" % number).hexdigest()
    facts: dict[str, Any] = {
        "state": "missing",
        "principal": None,
        "fingerprint": None,
        "namespace": "provpack-package",
    }
    facts |= {"requirements": [{"label": "A", "values": [1, 2.5, True]}], "met": {}}
    return UnitResult(
        path=f"{path}/job-{number:07}", path_base64=None, outcome="good", depth="bytes",
        started_at=fixed().isoformat(), finished_at=fixed().isoformat(), ours=True, bag_version="1.0",
        payload_files=19, payload_bytes=500_000 + number, bytes_read=600_000 + number,
        algorithms=("sha256", "sha512"), identity=sha512, name=f"job-{number:07}",
        examined=(Examined(topic="signature", state="missing", facts=facts),),
        essence=(f"record-{number}", hashlib.sha256(b"%d" % number).hexdigest()),
    )  # fmt: skip


WARNING = rules.LEDGER_OTHER.found("another", "/x")
ERROR = rules.HUNG.found("silent", "/x")
NOTE = replace(WARNING, severity="note")
DAMAGED = Damage(
    path="data/master/t.wav", extent="audio", frames=9, rate=Fraction(44_100_000, 1001), ranges=(
        BlockRange(first_block=1, last_block=2, first_frame=44_056, last_frame=9, start="0:00", end="0:01"),
    ),
)  # fmt: skip
MIXED = (
    result(0),
    replace(result(1), outcome="could_not_check", findings=(ERROR,)),
    replace(result(2), findings=(WARNING,)),
    replace(result(3), findings=(NOTE,)),
    replace(result(4), examined=(Examined(topic="profile", state="not_met", demands="not_met"),)),
    replace(result(5), path="/sh\udcfflf", path_base64="AAAA", name=None, damage=(DAMAGED,)),
)


def test_packed_results_come_back_as_they_were() -> None:
    packed = PackedUnits(9)
    for number in (7, 2, 4, 3, 8, 0):
        packed.put(number, MIXED[(0, 2, 3, 4, 7, 8).index(number)])
    assert [packed.has(n) for n in range(9)] == [n in (0, 2, 3, 4, 7, 8) for n in range(9)]
    with pytest.raises(KeyError):
        packed.of(1)
    damage = packed.of(8).damage
    assert damage == (DAMAGED,) and type(damage[0].rate) is Fraction and type(damage[0].ranges) is tuple
    for _ in range(2):  # with the gaps, and without them
        assert tuple(packed) == MIXED and len(packed) == len(MIXED)
        assert packed == MIXED and packed != MIXED[1:] and packed != MIXED[::-1]
        assert packed[1] == MIXED[1] and packed[-1] == MIXED[-1] and packed[2:5] == MIXED[2:5]
        packed.close_up()


def test_what_cannot_be_packed_is_kept_as_it_is() -> None:
    odd = replace(result(1), examined=(Examined(topic="signature", state="x", facts={"at": fixed()}),))
    packed = PackedUnits(2)
    packed.put(1, odd)
    packed.put(0, MIXED[2])
    assert packed == (MIXED[2], odd) and packed.of(1) is odd and list(packed.notable()) == [MIXED[2]]


def test_the_tally_is_what_counting_gives() -> None:
    packed = PackedUnits(len(MIXED))
    for number, unit in enumerate(MIXED):
        packed.put(number, unit)
    with pytest.raises(ValueError, match="already"):
        packed.put(0, MIXED[0])
    told = [
        VerifyResult(depth="bytes", started_at="", finished_at="", units=units) for units in (MIXED, packed)
    ]
    for one in told:
        assert one.counts() == {"good": 5, "bad": 0, "missing": 0, "could_not_check": 1}
        assert (one.outcome, one.verdict, one.demands) == ("could_not_check", "could_not_check", "not_met")
        assert one.tally.warned == 2 and one.tally.bytes_read == sum(u.bytes_read for u in MIXED)
        assert list(one.notable()) == [MIXED[1], MIXED[2], MIXED[4]]
    assert told[0].as_json() == told[1].as_json()
    for units, verdict in ((MIXED[:1], "good"), (MIXED[3:4], "good"), (MIXED[2:3], "warnings")):
        assert replace(told[0], units=units).verdict == verdict


class Ready:
    """A crew that has every result at once."""

    def hands(self, count: int) -> int:
        return 1

    def run(
        self, units: Iterable[tuple[int, Found]], count: int, spec: CheckSpec, told: Callable[[int], None]
    ) -> Generator[tuple[int, UnitResult]]:
        for number, _ in units:
            yield number, result(number)


def peak_of(many: int) -> int:
    """Bytes of memory at the worst moment of a run over so many, told as JSON, with what was found."""
    encoder = json.JSONEncoder(indent=2)
    gc.collect()
    tracemalloc.start()
    try:
        found = [Found(path=Path(f"/shelf/job-{number:07}")) for number in range(many)]
        run = verify_found(found, CheckSpec(depth="bytes"), Ready(), progress=Silent(), clock=fixed)
        whole = VerifyResult(depth="bytes", started_at="", finished_at="", units=run.units)
        written = sum(len(part) for part in json_parts(whole.as_stream(), encoder))
        assert whole.verdict == "good" and written > 1000 * many
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_what_is_kept_of_a_good_package_is_small_from_finding_it_to_the_last_line_of_json() -> None:
    """With results as objects 3 to 4 kB a package, with the JSON as one text 10 kB (both measured)."""
    interned = [Path(f"/shelf/job-{number:07}") for number in range(FEW + MANY)]  # the table of names grew
    each = (peak_of(FEW + MANY) - peak_of(FEW)) / MANY
    del interned
    assert each < MOST, f"{each:.0f} bytes of each package"


def parts(value: Any, *, ascii_only: bool) -> str:
    encoder = json.JSONEncoder(ensure_ascii=ascii_only, indent=2, allow_nan=False)
    return "".join(json_parts(value, encoder))


DEEP: dict[str, Any] = {
    "text": 'two\nlines \u2028 and "more"', "none": None, "number": 1.5, "yes": True, "empty": [], "bare": {},
    "deep": {"a": [1, {"b": []}, [[], {}]], "naïve": {"c": "d\r\n  e"}},
}  # fmt: skip


@pytest.mark.parametrize("ascii_only", [True, False])
@pytest.mark.parametrize("elements", [[], [DEEP], [DEEP, [], {}, "x\ny", None, [DEEP, 3]] * 7])
def test_a_stream_is_the_same_text_as_the_whole(elements: list[Any], ascii_only: bool) -> None:
    for whole in (
        {"units": elements}, {"before": DEEP, "units": elements, "behind": DEEP}, {**DEEP, "u": elements},
    ):  # fmt: skip
        streamed = {key: iter(value) if value is elements else value for key, value in whole.items()}
        expected = json.dumps(whole, ensure_ascii=ascii_only, indent=2)
        assert parts(streamed, ascii_only=ascii_only) == expected
        assert parts(whole, ascii_only=ascii_only) == expected
    assert parts({}, ascii_only=ascii_only) == "{}"


def test_verify_prints_the_one_object_it_always_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small_bags(tmp_path / "shelf", 7)
    (tmp_path / "shelf" / "p00003" / "data" / "new").write_bytes(b"more")
    written: list[str] = []

    def echo(text: str = "", *, nl: bool = True, err: bool = False) -> None:
        written.append(text + "\n" * nl)

    monkeypatch.setattr("provpack.cli.output.click.echo", echo)
    monkeypatch.setattr("provpack.cli.output._AT_ONCE", 500)
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(io.BytesIO(), encoding="utf-8"))
    code = main(["verify", "--no-ledger", "--json", str(tmp_path / "shelf")])
    text = "".join(written)
    told = json.loads(text)
    assert text == json.dumps(told, ensure_ascii=False, indent=2) + "\n"
    assert code == told["exit_code"] == 10 and told["counts"]["good"] == 6 and len(told["units"]) == 7
    assert len(written) > 1, "it is written as it comes"
