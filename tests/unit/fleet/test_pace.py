"""How fast is read, and how long nothing came: with a clock of the test's own."""

from __future__ import annotations

import threading

import pytest

from provpack.edge.pace import Idle, Pace, within


class Time:
    """A clock that moves when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0
        self.naps: list[float] = []

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.naps.append(seconds)
        self.now += seconds


@pytest.mark.parametrize("piece", [10_000, 1_000_000, 7_000_000])
@pytest.mark.parametrize("rate", [1_000_000.0, 50_000_000.0])
def test_many_pieces_take_as_long_as_the_rate_says(piece: int, rate: float) -> None:
    time = Time()
    pace = Pace(rate, ahead=0.25, clock=time.clock, sleep=time.sleep)
    amount = 0
    for _ in range(200):
        pace.take(piece)
        amount += piece
        # never ahead of the rate by more than what the bucket holds
        assert amount <= rate * (time.now - 100 + 0.25) * 1.000001
    assert time.now - 100 == pytest.approx(max(amount / rate - 0.25, 0))


def test_time_in_which_nothing_was_read_is_not_saved_up() -> None:
    time = Time()
    pace = Pace(1000.0, ahead=0.25, clock=time.clock, sleep=time.sleep)
    pace.take(1000)
    time.now += 3600
    before = time.now
    pace.take(10_000)
    assert time.now - before == pytest.approx(10 - 0.25)


def test_without_a_rate_nobody_waits() -> None:
    time = Time()
    Pace(None, clock=time.clock, sleep=time.sleep).take(10**12)
    assert time.naps == []


def test_a_long_wait_is_slept_in_naps_and_can_be_ended() -> None:
    time = Time()
    pace = Pace(10.0, clock=time.clock, sleep=time.sleep)
    woken = []

    def meanwhile() -> None:
        woken.append(time.now)
        if len(woken) == 5:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        pace.take(1000, meanwhile)
    assert len(time.naps) == 4 and max(time.naps) <= 0.5


def test_threads_share_the_rate() -> None:
    pace = Pace(1_000_000.0, ahead=0.0)
    threads = [threading.Thread(target=lambda: [pace.take(10_000) for _ in range(5)]) for _ in range(4)]
    import time

    begun = time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert time.monotonic() - begun >= 0.19  # 200 000 bytes at 1 000 000 per second


def test_idle_counts_what_this_process_was_awake_for() -> None:
    time = Time()
    idle = Idle(time.clock)
    time.now += 1.5
    assert idle.look() == pytest.approx(1.5)
    time.now += 600  # the machine slept, or the run was paused
    assert idle.look() == pytest.approx(3.5)
    idle.reset()
    assert idle.look() == 0


def test_an_action_gives_its_result_or_its_error_or_is_left_behind() -> None:
    assert within(5, lambda: 7) == 7
    with pytest.raises(ZeroDivisionError):
        within(5, lambda: 1 // 0)
    assert within(0.05, threading.Event().wait) is None
