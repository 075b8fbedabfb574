"""Names, roles and passwords; hashing is argon2id as the library argon2-cffi does it (RFC 9106, low-memory profile)."""

from __future__ import annotations

import threading
import unicodedata
from enum import StrEnum
from typing import TYPE_CHECKING

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from pipeline.errors import UsageError
from pipeline.store.audit import LogEntry
from pipeline.store.life import DATA

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.store import Store
    from pipeline.store.accounts import Account

MAX_PASSWORD = 256
MAX_NAME = 40


class Role(StrEnum):
    """What a person may do, least first: look, answer, look after accounts and the log."""

    READER = "reader"
    REVIEWER = "reviewer"
    STEWARD = "steward"

    @property
    def rank(self) -> int:
        """More may do more."""
        return list(Role).index(self)


class Passwords:
    """Hashes and checks passwords, two at a time: each takes 64 MiB and a tenth of a second on purpose."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._turns = threading.BoundedSemaphore(2)
        self._nobody = self._hasher.hash("the password of nobody")

    def hash(self, password: str) -> str:
        """A new hash with its own salt."""
        with self._turns:
            return self._hasher.hash(_normal(password))

    def fits(self, stored: str | None, password: str) -> bool:
        """Whether a password belongs to a hash; takes as long for a name that does not exist."""
        with self._turns:
            try:
                right = self._hasher.verify(stored or self._nobody, _normal(password))
            except (VerificationError, InvalidHashError):
                return False
        return right and stored is not None

    def is_old(self, stored: str) -> bool:
        """Whether the hash was made with weaker parameters than today's."""
        return self._hasher.check_needs_rehash(stored)


def _normal(password: str) -> str:
    return unicodedata.normalize("NFKC", password)


def checked_name(name: str) -> str:
    """A name as it is kept.

    Raises
    ------
    UsageError
        If it is empty, too long, or holds what cannot be printed.
    """
    name = unicodedata.normalize("NFC", name).strip()
    if not 1 <= len(name) <= MAX_NAME or not name.isprintable() or name == DATA:
        raise UsageError(
            f"This cannot be a name: {name[:MAX_NAME]!r}.", f"Use 1 to {MAX_NAME} letters, digits or signs."
        )
    return name


def checked_password(password: str, name: str, least: int) -> str:
    """A password that is long enough (length is what counts: NIST SP 800-63B, 5.1.1).

    Raises
    ------
    UsageError
        If it is too short, too long, or the name.
    """
    if not least <= len(password) <= MAX_PASSWORD:
        raise UsageError(
            f"The password must have {least} to {MAX_PASSWORD} characters.", "Four unrelated words make a good one."
        )
    if password.casefold() == name.casefold() or len(set(password)) < 5:
        raise UsageError("This password is too easy to guess.", "Four unrelated words make a good one.")
    return password


def make_account(
    store: Store, passwords: Passwords, name: str, role: Role, password: str, least: int, by: str, at: datetime
) -> Account:
    """Make an account.

    Raises
    ------
    UsageError, StoreError
        If name or password cannot be taken, or the name is.
    """
    name = checked_name(name)
    hashed = passwords.hash(checked_password(password, name, least))
    store.add_account(name, role.value, hashed, LogEntry(at, by, "made an account", name, {"role": role.value}))
    account = store.account(name)
    assert account is not None
    return account
