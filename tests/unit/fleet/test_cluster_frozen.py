"""A scheduler that is stopped in the midst of a run takes questions and never answers: the run must end."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest

from provpack.edge import cluster
from provpack.edge.workerpool import Lost
from provpack.errors import EnvironmentProblem


class Frozen:
    """What of a client of distributed is used, its scheduler stopped: nthreads() waits without an end."""

    status = "running"

    def __init__(self) -> None:
        self.asked = 0
        self.released = threading.Event()

    def nthreads(self) -> dict[str, int]:
        self.asked += 1
        self.released.wait(30)
        return {"tcp://w:1": 1}

    def submit(self, *_: Any, **__: Any) -> Any:
        return self

    def add_done_callback(self, _done: Any) -> None:
        """Nothing is ever done."""


@pytest.fixture
def frozen(monkeypatch: pytest.MonkeyPatch) -> Iterator[Frozen]:
    monkeypatch.setattr(cluster, "_ANSWER", 0.2)
    monkeypatch.setattr(cluster, "_COUNT_EVERY", 0.0)
    monkeypatch.setattr(cluster, "_LOOK", 0.05)
    client = Frozen()
    yield client
    client.released.set()


def test_a_scheduler_that_freezes_is_given_up(frozen: Frozen) -> None:
    def work(item: str, _who: str) -> str:
        return item

    began = time.monotonic()
    run = cluster._Run(frozen, "tcp://somewhere:8786", work, 0.4)
    told = list(run.results(enumerate("abc")))
    assert time.monotonic() - began < 10
    assert [number for number, _, _ in told] == [0, 1, 2]
    for _, _, lost in told:
        assert isinstance(lost, Lost) and lost.kind == "nobody" and "no workers for 0.4 seconds" in lost.why
    assert frozen.asked == 1, "no thread is left waiting for each look"


def test_a_scheduler_that_is_frozen_from_the_start_is_refused(frozen: Frozen) -> None:
    with pytest.raises(EnvironmentProblem) as caught:
        cluster.Cluster("tcp://somewhere:8786")._judge(frozen)
    assert caught.value.code == "cluster-unreachable"
