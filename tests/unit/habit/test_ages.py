"""Spans of time, rates and shares as typed. The spellings are ours; there is no outside source."""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction

import pytest

from provpack.model.ages import parse_age, parse_rate, parse_share, span_words


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("365d", timedelta(days=365)),
        ("365", timedelta(days=365)),
        ("12h", timedelta(hours=12)),
        ("2w", timedelta(days=14)),
        ("90m", timedelta(minutes=90)),
        ("1.5 H", timedelta(minutes=90)),
        ("0.1d", timedelta(seconds=8640)),
        (" 73000d ", timedelta(days=73000)),
    ],
)
def test_ages(text: str, span: timedelta) -> None:
    assert parse_age(text) == span


@pytest.mark.parametrize(
    "text",
    ["", "d", "0d", "0", "-3d", "1y", "3 months", "1e3d", "73001d", "12h30m", "\u0663d", "9" * 400, "1\n2d"],
)
def test_what_is_no_age(text: str) -> None:
    with pytest.raises(ValueError, match=r"bare number is days\.$") as caught:
        parse_age(text)
    assert str(caught.value).isprintable() and len(str(caught.value)) < 250


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("50M", 50_000_000),
        ("1.5G", 1_500_000_000),
        ("800k", 800_000),
        ("800K", 800_000),
        ("50MB/s", 50_000_000),
        ("4096", 4096),
        ("1.0000019M", 1_000_001),
    ],
)
def test_rates_are_decimal(text: str, rate: int) -> None:
    assert parse_rate(text) == rate


@pytest.mark.parametrize("text", ["", "0", "0.1", "-1M", "50Mb", "50Mbit", "50Mi", "1001T", "fast"])
def test_what_is_no_rate(text: str) -> None:
    with pytest.raises(ValueError, match="per second"):
        parse_rate(text)


def test_shares_are_exact() -> None:
    assert parse_share("1%") == Fraction(1, 100)
    assert parse_share("99.9 %") == Fraction(999, 1000)
    assert parse_share("0.0001%") == Fraction(1, 1_000_000)


@pytest.mark.parametrize("text", ["1", "0.01", "0%", "100%", "101%", "%", "-1%", "1%%"])
def test_what_is_no_share(text: str) -> None:
    with pytest.raises(ValueError, match="per cent"):
        parse_share(text)


@pytest.mark.parametrize(
    ("span", "words"),
    [
        (timedelta(seconds=20), "under a minute"),
        (timedelta(minutes=1), "1 minute"),
        (timedelta(hours=1, minutes=30), "1 hour 30 minutes"),
        (timedelta(days=3, hours=4, minutes=50), "3 days 4 hours"),
        (timedelta(days=1200), "1 200 days"),
    ],
)
def test_spans_in_words(span: timedelta, words: str) -> None:
    assert span_words(span) == words
