"""The only places that ask what time it is and for a new identifier."""

from __future__ import annotations

import uuid
from datetime import datetime


def now() -> datetime:
    """Local time with its offset from UTC, to the second."""
    return datetime.now().astimezone().replace(microsecond=0)


def to_the_millisecond() -> datetime:
    """Local time with its offset from UTC, to the millisecond: for what is logged while a tape runs, where a
    second is 44 100 frames."""
    moment = datetime.now().astimezone()
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)


def new_id() -> str:
    """A random UUID (RFC 9562, version 4)."""
    return str(uuid.uuid4())
