"""The state of a half-done replay of a loop, written so that it can be gone on from to the byte.

A state holds objects of this program. It is read with an unpickler that makes nothing but the classes of `checks`, `config`
and this folder and plain numpy arrays: a file from elsewhere cannot run anything. The site is not in it; it comes from the
site file again.
"""

from __future__ import annotations

import copyreg
import io
import os
import pickle
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import pyarrow as pa

from checks.ring import Ring
from config.errors import DataFileError

T = TypeVar("T")

MAGIC = b"tallywire-replay-state-1\n"
MOST = 1 << 32
"""Bytes of the largest state, far above any."""
EMPTY: Mapping[str, object] = MappingProxyType({})
OWN = ("checks.", "config.", "collector.replay.")
PLAIN = {
    ("collections", "deque"), ("datetime", "date"), ("datetime", "datetime"), ("datetime", "timedelta"), ("datetime", "timezone"),
    ("builtins", "slice"), ("builtins", "complex"), ("builtins", "set"), ("builtins", "frozenset"),
    ("numpy", "dtype"), ("numpy", "ndarray"), ("numpy._core.numeric", "_frombuffer"),
    ("numpy._core.multiarray", "_reconstruct"), ("numpy._core.multiarray", "scalar"),
}  # fmt: skip


class _Pickler(pickle.Pickler):
    """Leaves out what has a name, and of a table that grows the room that is not in use."""

    def __init__(self, file: io.BytesIO, named: Mapping[str, object]) -> None:
        super().__init__(file, protocol=5)
        self._names = {id(known): name for name, known in named.items()}

    def persistent_id(self, obj: Any) -> str | None:
        return self._names.get(id(obj))

    def reducer_override(self, obj: Any) -> Any:
        if type(obj) is not Ring:
            return NotImplemented
        state = dict(obj.__dict__)
        state["_arrays"] = {name: array[: len(obj)].copy(order="K") for name, array in state["_arrays"].items()}
        return copyreg.__newobj__, (Ring,), state  # type: ignore[attr-defined]


class _Unpickler(pickle.Unpickler):
    """Makes own classes and plain arrays, and nothing else."""

    def __init__(self, file: io.BytesIO, named: Mapping[str, object]) -> None:
        super().__init__(file)
        self._named = named

    def persistent_load(self, pid: Any) -> Any:
        if pid not in self._named:
            raise pickle.UnpicklingError(f"unknown part {pid!r}")
        return self._named[pid]

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) in PLAIN:
            return super().find_class(module, name)
        found = super().find_class(module, name) if module.startswith(OWN) and "." not in name else None
        if not isinstance(found, type):
            raise pickle.UnpicklingError(f"{module}.{name} is no part of a state")
        return found


def to_bytes(kept: object, named: Mapping[str, object]) -> bytes:
    """An object as bytes; what is `named` is not in them."""
    file = io.BytesIO()
    _Pickler(file, named).dump(kept)
    plain = file.getvalue()
    packed: bytes = pa.compress(plain, codec="zstd", asbytes=True)
    return MAGIC + len(plain).to_bytes(8, "big") + packed


def from_bytes(raw: bytes, kind: type[T], named: Mapping[str, object]) -> T:
    """An object from what `to_bytes` gave. Raises ValueError for anything else."""
    head = len(MAGIC) + 8
    if raw[: len(MAGIC)] != MAGIC:
        raise ValueError("it does not begin as it should")
    size = int.from_bytes(raw[len(MAGIC) : head], "big")
    if size > MOST:
        raise ValueError("it says that it is larger than any state")
    try:
        plain = pa.decompress(raw[head:], size, codec="zstd", asbytes=True)
        kept = _Unpickler(io.BytesIO(plain), named).load()
    except (
        pickle.UnpicklingError, pa.ArrowException, OSError, EOFError, AttributeError, ImportError, TypeError, LookupError,
    ) as error:  # fmt: skip
        raise ValueError(str(error).splitlines()[0] if str(error) else type(error).__name__) from error
    if not isinstance(kept, kind):
        raise ValueError("it holds something else")
    return kept


def save(path: Path, kept: object, named: Mapping[str, object] = EMPTY) -> None:
    """Write an object; a kill at any moment leaves the old file or the new one. Raises OSError."""
    write_whole(path, to_bytes(kept, named))


def load(path: Path, kind: type[T], named: Mapping[str, object] = EMPTY) -> T | None:
    """What was kept in a file, None where there is none.

    Raises
    ------
    DataFileError
        The file is damaged or something else.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        return None
    try:
        return from_bytes(raw, kind, named)
    except ValueError as error:
        raise DataFileError(
            f"what was kept cannot be gone on from ({error})",
            where=str(path),
            fix="delete this file; its loop then begins anew",
        ) from error


def write_whole(path: Path, content: bytes) -> None:
    """Write a file through another name, flushed, so that it is there whole or not at all."""
    temporary = path.with_name(path.name + ".tmp")
    with temporary.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
