"""Templates that a process of tests has compiled, for every application that is made in it."""

from __future__ import annotations

from jinja2.bccache import Bucket, BytecodeCache


class CompiledTemplates(BytecodeCache):
    """Keeps the code of each template in memory, by its name and file; one of another source is compiled anew."""

    def __init__(self) -> None:
        self._code: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        if bucket.key in self._code:
            bucket.bytecode_from_string(self._code[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._code[bucket.key] = bucket.bytecode_to_string()
