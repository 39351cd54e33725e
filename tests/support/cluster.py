"""A Dask scheduler and its workers as processes of the test's own, ended one by one by their numbers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Self

import distributed

ROOT = Path(__file__).resolve().parents[2]


class OwnCluster:
    """workers: so many, with one thread each, without anybody who would start them anew."""

    def __init__(self, folder: Path, workers: int = 2, cwd: Path | None = None) -> None:
        self._folder = folder
        self._cwd = cwd or folder
        self._count = workers
        self.processes: list[subprocess.Popen[bytes]] = []
        self.workers: list[subprocess.Popen[bytes]] = []
        self.address = ""

    def __enter__(self) -> Self:
        try:
            file = self._folder / "scheduler.json"
            self.scheduler = self._start("scheduler", "--port", "0", "--scheduler-file", str(file))
            for _ in range(600):
                if file.exists() and file.read_text():
                    self.address = json.loads(file.read_text())["address"]
                    break
                time.sleep(0.1)
            assert self.address, "the scheduler did not come up"
            for _ in range(self._count):
                self.worker()
            if self._count:
                self.wait_for(self._count)
        except BaseException:
            self.__exit__()
            raise
        return self

    def worker(self, env: Mapping[str, str] | None = None) -> subprocess.Popen[bytes]:
        """One worker more."""
        local = self._folder / f"worker{len(self.workers)}"
        words = (
            self.address,
            "--nthreads",
            "1",
            "--no-nanny",
            "--death-timeout",
            "30",
            "--local-directory",
            str(local),
        )
        self.workers.append(self._start("worker", *words, env=env))
        return self.workers[-1]

    def _start(self, what: str, *words: str, env: Mapping[str, str] | None = None) -> subprocess.Popen[bytes]:
        path = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
        with (self._folder / f"{what}{len(self.processes)}.log").open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.dask_{what}", *words,
                 "--host", "127.0.0.1", "--no-dashboard"],
                stdout=log, stderr=log, cwd=self._cwd, env={**os.environ, "PYTHONPATH": path, **(env or {})},
            )  # fmt: skip
        self.processes.append(process)
        return process

    def wait_for(self, count: int) -> None:
        """Until so many workers are known to the scheduler."""
        with distributed.Client(self.address, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def __exit__(self, *_: object) -> None:
        for process in reversed(self.processes):
            process.kill()
            process.wait()
