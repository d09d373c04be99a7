"""Exit codes of every command."""

from __future__ import annotations

NO_FINDING = 0
FINDINGS = 1
BAD_INPUT = 2
NOTHING_EVALUATED = 3
INTERNAL_ERROR = 70
INTERRUPTED = 130
