"""How long an expectation of the browser tests waits before it is given up."""

from __future__ import annotations

from playwright.sync_api import expect

# It is looked at again and again and done as soon as it holds, so that the limit costs nothing. Five seconds,
# the usual one, are few for a browser, the program and its background work on two cores that others share.
# What has to be quick says so with a limit of its own.
expect.set_options(timeout=20_000)
