"""A signal while a connection is closed: SQLAlchemy's pool logs it with its traceback and raises it again
(sqlalchemy/pool/base.py, `_close_connection`); on standard error stands only what we say."""

from __future__ import annotations

import subprocess
import sys

STOPPED = """
import logging
from provpack.catalogue import engines
assert engines
try:
    raise KeyboardInterrupt
except KeyboardInterrupt:
    logging.getLogger("sqlalchemy.pool.impl.QueuePool").error("Exception closing", exc_info=True)
"""


def test_what_stops_a_connection_is_told_in_our_words_only() -> None:
    said = subprocess.run([sys.executable, "-c", STOPPED], capture_output=True, text=True, check=True)
    assert said.stderr == ""
