"""Tests, in the layout of the packages."""

import os

from collector.__main__ import one_thread_for_algebra

one_thread_for_algebra()

FULL = os.environ.get("TALLYWIRE_FULL") == "1"
"""Whether the whole programme runs, not the share that every run looks at."""
