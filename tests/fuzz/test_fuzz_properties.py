"""The same laws driven by hypothesis: other inputs each time at home, the same in CI; it shows small ones."""

from __future__ import annotations

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz.law import PART
from fuzz.mutate import WORDS, mutated
from fuzz.seeds import seeds
from fuzz.targets import TARGETS

SLOW = {"frames", "sheet_job", "record", "metadata", "client_needs", "harvested_package", "record_and_blocks"}
PIECES = st.lists(st.sampled_from((*WORDS, PART)) | st.binary(max_size=12), max_size=20).map(b"".join)


def inputs(name: str) -> st.SearchStrategy[bytes]:
    """Bytes without any form, and sound inputs changed a few times."""
    given_ones = st.sampled_from(seeds()[name])
    dice = st.integers(0, 1 << 32).map(random.Random)
    return PIECES | st.builds(
        lambda data, rng: mutated(name, mutated(name, data, rng), rng), given_ones, dice
    )


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_the_law_holds(name: str) -> None:
    @settings(
        max_examples=8 if name in SLOW else 40,
        deadline=None,
        database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(data=inputs(name))
    def holds(data: bytes) -> None:
        TARGETS[name](data)

    holds()
