"""The only places that ask what time it is and for a new identifier."""

from __future__ import annotations

import uuid
from datetime import datetime


def now() -> datetime:
    """Local time with its offset from UTC, to the second."""
    return datetime.now().astimezone().replace(microsecond=0)


def new_id() -> str:
    """A random UUID (RFC 9562, version 4)."""
    return str(uuid.uuid4())
