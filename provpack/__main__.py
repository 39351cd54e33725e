"""`python -m provpack` is the same as the `provpack` command."""

from provpack.cli.main import entry

if __name__ == "__main__":
    entry()
