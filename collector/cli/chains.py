"""What the commands that walk a chain of hashes share: a hash that was printed, and a chain that breaks."""

from __future__ import annotations

import sys

from collector.cli import exits


def printed(text: str | None) -> tuple[int, str] | None:
    """Number and hash of NUMBER=HASH; None where nothing was given. Raises what `printed_hash` raises for anything else."""
    from collector.records.book import printed_hash

    if text is None:
        return None
    number, _, sha256 = text.partition("=")
    return printed_hash(number, sha256)


def tell_break(one: str, many: str, number: int, reason: str) -> int:
    """Say where a chain of these breaks ("record", "Records"), and return the exit code of a finding."""
    from collector.replay.text import wrapped

    said = f"The chain breaks at {one} {number}: {reason}."
    rest = f"{many} from there on prove nothing until a backup shows what was changed."
    sys.stdout.write("\n".join([*wrapped(said), *wrapped(rest)]) + "\n")
    return exits.FINDINGS
