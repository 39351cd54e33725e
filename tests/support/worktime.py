"""How much work something costs, not how long it takes: a limit that finds squares on any machine.

What is counted is the processor time of this process, all its threads together. A machine that has others
to serve, a disk that syncs slowly or a pause of the whole machine adds nothing to it. Waiting costs nothing
either: a test that is about waiting needs a clock on the wall.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def at_most(seconds: float, why: str = "") -> Iterator[None]:
    """Fails when the block cost more processor time than this."""
    begun = time.process_time()
    yield
    cost = time.process_time() - begun
    assert cost < seconds, f"{cost:.2f} s of work, at most {seconds:g} s were expected; {why}".rstrip("; ")
