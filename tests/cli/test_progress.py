"""How far a run is: the figures with a clock of our own, the bar on a console of our own, and silence."""

from __future__ import annotations

import io
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from pathlib import Path

import pytest
from cli.commandline import run
from rich.console import Console
from support.jobs import make_job

from provpack.cli import progress
from provpack.cli.meter import Meter, time_words
from provpack.cli.ports import wrap_ports
from provpack.edge.clock import now as clock_now
from provpack.edge.schemas import validate
from provpack.edge.workers import crew
from provpack.jobs.check import check_job
from provpack.jobs.progress import Silent, expect, next_part
from provpack.jobs.wrap import wrap_job
from provpack.package.layout import MEASUREMENTS, RECORD

MIB = 1024 * 1024


class Clock:
    """Seconds that pass when the test says so."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def work(meter: Meter, clock: Clock, amount: int, seconds: float, steps: int = 10) -> Iterator[int]:
    for _ in range(steps):
        clock.now += seconds / steps
        meter.advance(amount // steps)
        yield meter.done


def test_the_time_left_is_that_of_the_whole_batch(clock: Clock) -> None:
    meter = Meter(clock)
    meter.expect([100 * MIB] * 12)
    for number in range(3):
        meter.next_part()
        meter.begin(f"T{number + 1:02}: copying and measuring", 100 * MIB)
        list(work(meter, clock, 100 * MIB, 10))
    assert meter.label == "3 of 12, T03: copying and measuring"
    assert (meter.done, meter.whole) == (300 * MIB, 1200 * MIB)
    assert meter.left == pytest.approx(90)  # 900 MiB at 10 MiB a second, by hand
    assert meter.figures == "0.3 of 1.2 GiB, 10.0 MiB/s, 0:00:30, about 2 min left"


def test_nothing_is_promised_before_a_speed_is_known(clock: Clock) -> None:
    meter = Meter(clock)
    meter.expect([100 * MIB])
    meter.next_part()
    clock.now += 2.5
    meter.advance(20 * MIB)
    assert meter.left is None and meter.speed is None and "about" not in meter.figures
    clock.now += 0.5
    assert meter.left == pytest.approx(12)  # 80 MiB at 20 MiB in 3 seconds, by hand


def test_a_step_that_was_not_counted_does_not_go_backwards_nor_promise_an_end(clock: Clock) -> None:
    meter = Meter(clock)
    meter.expect([10 * MIB, 10 * MIB])
    meter.next_part()
    done = list(work(meter, clock, 10 * MIB, 10))
    meter.begin("T01: searching", 500 * MIB)
    done += work(meter, clock, 500 * MIB, 50)
    assert done == sorted(done) and done[-1] == 10 * MIB
    assert meter.left == pytest.approx(60)  # the second part, at the pace of the first with all it took
    meter.next_part()
    list(work(meter, clock, 10 * MIB, 10))
    meter.begin("T02: searching", 0)
    assert meter.left is None and "left" not in meter.figures and meter.figures.endswith(", finishing")
    clock.now += 100
    assert meter.left is None


def test_what_is_skipped_is_done_but_is_no_speed(clock: Clock) -> None:
    meter = Meter(clock)
    meter.expect([1000 * MIB, 0, 10 * MIB])
    meter.next_part()
    list(work(meter, clock, 5 * MIB, 5))
    meter.next_part()  # refused
    meter.next_part()
    assert meter.done == 1000 * MIB
    assert meter.left == pytest.approx(10) and meter.speed == pytest.approx(MIB)
    meter.next_part()  # more than were expected
    assert meter.label == "3 of 3" and meter.done == 1000 * MIB


def test_a_pause_makes_the_time_left_longer_not_shorter(clock: Clock) -> None:
    meter = Meter(clock)
    meter.expect([100 * MIB])
    meter.next_part()
    list(work(meter, clock, 50 * MIB, 50))
    before = meter.left
    clock.now += 25  # the disk syncs
    assert before == pytest.approx(50) and meter.left == pytest.approx(75)


def test_without_parts_each_step_is_a_run_and_an_end_of_parts_ends_them(clock: Clock) -> None:
    meter = Meter(clock)
    meter.begin("verifying 4 packages", 40)
    clock.now += 4
    meter.advance(10)
    assert meter.label == "verifying 4 packages" and meter.left == pytest.approx(12)
    meter.expect([7])
    meter.next_part()
    meter.expect([])
    meter.begin("looking at 2 packages", 0)
    meter.advance(2 * MIB)
    assert (meter.label, meter.whole, meter.left) == ("looking at 2 packages", 0, None)
    assert meter.figures == "2.0 MiB, 0:00:00"


def test_things_are_counted_as_things(clock: Clock) -> None:
    meter = Meter(clock, things=True)
    meter.begin("Reading 8 packages", 8)
    clock.now += 10
    meter.advance(2)
    assert meter.figures == "2 of 8, 0:00:10, about 30 s left"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "10 s"), (11, "20 s"), (50, "50 s"), (51, "1 min"), (61, "2 min"), (3540, "59 min"),
     (3541, "1 h"), (7801, "2 h 20 min")],
)  # fmt: skip
def test_times_are_rounded_up_and_never_nothing(seconds: float, words: str) -> None:
    assert time_words(seconds) == words


def test_the_bar_shows_label_and_figures_and_no_control_characters(clock: Clock) -> None:
    out = io.StringIO()
    bar = progress._Bar(Console(file=out, force_terminal=True, width=100), Meter(clock))
    bar.start()
    bar.expect([4 * MIB, 4 * MIB])
    bar.next_part()
    bar.begin("T01: \x1b]0;mine\x07 name", 4 * MIB)
    clock.now += 4
    bar.advance(2 * MIB)
    bar.stop()
    drawn = out.getvalue()
    assert "1 of 2, T01: " in drawn and "2.0 of 8.0 MiB, 512 KiB/s, 0:00:04, about 20 s left" in drawn
    assert "\x1b]0;mine" not in drawn


class Watched:
    """A listener that notes what each part was to be, and what it was."""

    def __init__(self) -> None:
        self.expected: list[int] = []
        self.done: list[int] = []
        self.labels: list[str] = []

    def expect(self, sizes: Sequence[int]) -> None:
        self.expected, self.done = list(sizes), []

    def next_part(self) -> None:
        self.done.append(0)

    def begin(self, label: str, total: int) -> None:
        self.labels.append(label)

    def advance(self, amount: int) -> None:
        self.done[-1] += amount


def test_wrap_expects_what_it_then_does(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", ids=("T01", "T02", "T03"), frames=400_000)
    (job / "T02.wav").write_bytes(b"not audio")
    watched = Watched()
    with wrap_ports(tmp_path / "out", watched) as ports:
        wrap_job(job, tmp_path / "out", ports)
    size = (job / "T01.wav").stat().st_size
    assert watched.expected == [size, 0, size]
    assert watched.done == [size - 44, 0, size - 44]  # the header of such a file is no audio
    assert "T03: copying and measuring" in watched.labels
    watched = Watched()
    with wrap_ports(tmp_path / "out", watched) as ports:
        wrap_job(job, tmp_path / "out", ports)
    assert watched.expected == watched.done == [0, 0, 0]  # they stand there already


def test_check_expects_what_it_then_does(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", ids=("T01", "T02"), frames=400_000)
    watched = Watched()
    with crew(2) as run_all:
        check_job(job, now=clock_now(), progress=watched, validate=validate, run_all=run_all)
    size = (job / "T01.wav").stat().st_size
    assert watched.expected == [size, size] and watched.done == [size - 44, size - 44]


def test_receive_expects_the_packages_and_heal_the_copies_and_a_new_one(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", ids=("T01",), frames=400_000)
    assert run("wrap", job, "--to", tmp_path / "a").code == 1
    package = tmp_path / "a" / "job-1_t01"
    whole = sum(p.stat().st_size for p in package.rglob("*") if p.is_file())
    watched = Watched()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(progress, "shown", lambda *_a, **_k: nullcontext(watched))
        assert run("receive", package, "--to", tmp_path).code in (0, 1)
        (master,) = (package / "data" / "master").iterdir()
        wanted = whole + master.stat().st_size  # its blocks are read a second time
        assert watched.expected == [wanted]
        assert 0.9 * wanted < watched.done[0] < 1.1 * wanted
        copy = tmp_path / "b" / package.name
        shutil.copytree(package, copy)
        for file in (package / RECORD, copy / MEASUREMENTS):
            file.write_bytes(b"?" + file.read_bytes()[1:])
        assert run("heal", package, copy, "--to", tmp_path / "c").code in (0, 1)
    assert watched.expected == [2 * whole, whole] and len(watched.done) == 2 and all(watched.done)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("quiet", "terminal"), [(True, True), (False, False), (True, False)])
def test_silent_with_json_or_without_a_terminal(
    monkeypatch: pytest.MonkeyPatch, quiet: bool, terminal: bool
) -> None:
    err = Terminal() if terminal else io.StringIO()
    monkeypatch.setattr(sys, "stderr", err)
    with progress.shown(quiet) as bar:
        assert isinstance(bar, Silent)
        expect(bar, [5])
        next_part(bar)
        bar.begin("x", 5)
        bar.advance(5)
    assert err.getvalue() == ""


def test_on_a_terminal_the_bar_is_drawn_there(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    err, out = Terminal(), io.StringIO()
    monkeypatch.setattr(sys, "stderr", err)
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setenv("TERM", "xterm")
    with progress.shown() as bar:
        expect(bar, [5, 5])
        next_part(bar)
        bar.begin("copying", 5)
    assert "1 of 2, copying" in err.getvalue() and out.getvalue() == ""
