"""The only door to the bagit library: a second opinion on packages we wrote, never our writer or judge."""

from __future__ import annotations

import logging
import threading
from pathlib import Path

__all__ = ["second_opinion"]

# Its logger is one for the whole process, so only one question is asked at a time.
_ONE_AT_A_TIME = threading.Lock()


def second_opinion(path: Path) -> list[str]:
    """What the library has against the bag: completeness only, nothing is hashed. An empty list = nothing.

    Never raises; an error inside the library is one of the sentences. Leaves the working directory alone
    (the library changes it only when it writes, which it is not asked to do).
    """
    try:
        import bagit
    except ImportError:
        return ["the bagit library is not installed, so no second opinion was had"]
    # Some of what it finds it only logs; the records are collected here and go nowhere else.
    heard: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.WARNING:
                heard.append(record.getMessage())

    logger = logging.getLogger("bagit")
    listener = Listener()
    propagate = logger.propagate
    with _ONE_AT_A_TIME:
        logger.addHandler(listener)
        logger.propagate = False
        try:
            bagit.Bag(str(path)).validate(completeness_only=True)
        except Exception as err:  # the library raises BagError, but also whatever its own slips raise
            heard.append(f"{err.__class__.__name__}: {err}")
        finally:
            logger.removeHandler(listener)
            logger.propagate = propagate
    return list(dict.fromkeys(heard))
