"""`python -m provpack` is the same as the `provpack` command."""

from __future__ import annotations

import os
import signal
from types import FrameType

_TOO_EARLY = (
    b"provpack: Stopped by you before anything was begun.\n"
    b"  where: provpack\n  to do: Nothing was written. Run the same command again.\n"
)


def _stop_at_once(number: int, frame: FrameType | None) -> None:
    """Until the command line can answer for itself there is nothing to tidy up."""
    os.write(2, _TOO_EARLY)
    os._exit(128 + number)


def run() -> None:
    """The program from its first moment: Ctrl-C while it is still being loaded shows no traceback."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop_at_once)
    from provpack.cli.main import entry

    entry()


if __name__ == "__main__":
    run()
