"""provpack: wrap a finished tape transfer with its chain-of-custody record, and prove it years later."""

__version__ = "0.1.0"
