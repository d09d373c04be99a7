"""Tests, in the layout of the packages."""

from collector.__main__ import one_thread_for_algebra

one_thread_for_algebra()
