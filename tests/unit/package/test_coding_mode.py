"""The mode in the coding history (EBU R 98, `M=`): only what is known."""

from __future__ import annotations

import pytest

from provpack.model.vocab import VOCABULARIES
from provpack.package.describe import coding_mode


@pytest.mark.parametrize(
    ("use", "channels", "mode"),
    [
        ("stereo", 2, "stereo"),
        ("dual_mono", 2, "dual-mono"),
        ("two_independent", 2, "dual-mono"),
        ("mono", 1, "mono"),
        ("unknown", 1, "mono"),
        ("unknown", 2, None),
        ("", 2, None),
        ("stereo", 4, None),  # R 98 has no word for it
    ],
)
def test_the_mode_claims_no_more_than_is_declared(use: str, channels: int, mode: str | None) -> None:
    assert use in ("", *VOCABULARIES["channel_use"])
    assert coding_mode(use, channels) == mode
