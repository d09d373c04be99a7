"""Passwords: what is accepted, and their argon2 hashes."""

from __future__ import annotations

import threading
import unicodedata
from typing import Protocol

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from config.errors import TallywireError

SHORTEST, LONGEST = 12, 256
"""Characters of a password. NIST SP 800-63B asks for 8 at least and for no rules about kinds of characters; length is what helps."""
AT_ONCE = 2
"""Hashes computed at the same time: each takes 64 MiB, and a flood of sign-ins must not take the memory of the service."""
FEWEST_DIFFERENT = 5


class Hasher(Protocol):
    """Makes and proves hashes."""

    def hash(self, password: str) -> str:
        """The hash of a password, salted."""
        ...

    def verify(self, password: str, hashed: str) -> bool:
        """Whether a password has this hash."""
        ...


class Argon2:
    """argon2id (RFC 9106) with the parameters of the library; `time_cost`, `memory_cost` [KiB] and `parallelism` change them."""

    def __init__(self, *, time_cost: int = 3, memory_cost: int = 65536, parallelism: int = 4) -> None:
        hasher = Argon2Hasher(time_cost=time_cost, memory_cost=memory_cost, parallelism=parallelism)
        self._hash = PasswordHash((hasher,))
        self._places = threading.BoundedSemaphore(AT_ONCE)

    def hash(self, password: str) -> str:
        """The hash of a password."""
        with self._places:
            return self._hash.hash(normal(password))

    def verify(self, password: str, hashed: str) -> bool:
        """Whether a password has this hash; a hash that is none of ours fits nothing."""
        if len(password) > LONGEST:
            return False
        with self._places:
            try:
                return self._hash.verify(normal(password), hashed)
            except Exception as error:  # noqa: BLE001 - whatever the library says of a damaged hash, nobody gets in by it
                del error
                return False


def normal(password: str) -> str:
    """The same password however a keyboard composed its signs (NFKC, as NIST SP 800-63B asks)."""
    return unicodedata.normalize("NFKC", password)


def require_good(password: str, name: str) -> str:
    """The password, where it is long enough and not easily guessed.

    Raises
    ------
    TallywireError
        It is too short, too long, holds a control sign, repeats a few signs, or contains the name of the account.
    """
    fix = f"at least {SHORTEST} characters; some words in a row are easy to keep and hard to guess"
    if len(normal(password)) < SHORTEST:
        raise TallywireError(f"the password has fewer than {SHORTEST} characters", fix=fix)
    if len(password) > LONGEST:
        raise TallywireError(f"the password has more than {LONGEST} characters", fix="shorten it")
    if any(unicodedata.category(sign) == "Cc" for sign in password):
        raise TallywireError("the password holds a control sign", fix="type it again, without tabs")
    plain = normal(password).casefold()
    if len(set(plain)) < FEWEST_DIFFERENT:
        raise TallywireError("the password repeats a few signs", fix=fix)
    if name.casefold() in plain:
        raise TallywireError("the password contains the name of the account", fix=fix)
    return password
