"""Accounts of the review page; the password is kept only as a hash that somebody else made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import func, insert, select, update
from sqlalchemy.exc import IntegrityError

from pipeline.errors import StoreError
from pipeline.store import audit
from pipeline.store.connected import Connected
from pipeline.store.review_tables import accounts

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection, RowMapping

    from pipeline.store.audit import LogEntry


@dataclass(frozen=True, slots=True)
class Account:
    """Who may sign in; ``role`` is ``reader``, ``reviewer`` or ``steward``."""

    name: str
    role: str
    password: str
    active: bool
    made_at: datetime
    changed_at: datetime


class Accounts(Connected):
    """People who may use the review page."""

    def account(self, name: str) -> Account | None:
        """One account by its name."""
        with self._reading() as connection:
            row = connection.execute(select(accounts).where(accounts.c.name == name)).mappings().first()
        return None if row is None else _account_of(row)

    def accounts(self) -> list[Account]:
        """All accounts, by name."""
        with self._reading() as connection:
            return [
                _account_of(row) for row in connection.execute(select(accounts).order_by(accounts.c.name)).mappings()
            ]

    def add_account(self, name: str, role: str, password: str, entry: LogEntry) -> None:
        """Make an account, and say so in the log.

        Raises
        ------
        StoreError
            If the name is taken.
        """
        with self._writing() as connection:
            try:
                connection.execute(
                    insert(accounts).values(
                        name=name, role=role, password=password, active=1, made_at=entry.at, changed_at=entry.at
                    )
                )
            except IntegrityError as error:
                raise StoreError(f"There is already an account '{name}'.", "Choose another name.") from error
            audit.append(connection, entry)

    def change_account(
        self,
        name: str,
        entry: LogEntry,
        *,
        role: str | None = None,
        password: str | None = None,
        active: bool | None = None,
    ) -> None:
        """Change an account, and say so in the log; the last active steward stays one.

        Raises
        ------
        StoreError
            If there is no such account, or no steward would be left.
        """
        values: dict[str, object] = {"changed_at": entry.at}
        if role is not None:
            values["role"] = role
        if password is not None:
            values["password"] = password
        if active is not None:
            values["active"] = int(active)
        with self._writing() as connection:
            before = _stewards(connection)
            if connection.execute(update(accounts).where(accounts.c.name == name).values(values)).rowcount != 1:
                raise StoreError(f"There is no account '{name}'.", "Load the page again.")
            if before and not _stewards(connection):
                raise StoreError("This is the last steward.", "Make another account a steward first.")
            audit.append(connection, entry)

    def renew_hash(self, name: str, old: str, new: str) -> None:
        """Put a stronger hash of the same password in the place of the old one."""
        with self._writing() as connection:
            same = update(accounts).where(accounts.c.name == name, accounts.c.password == old)
            connection.execute(same.values(password=new))


def _stewards(connection: Connection) -> int:
    query = select(func.count()).select_from(accounts).where(accounts.c.role == "steward", accounts.c.active == 1)
    return int(connection.execute(query).scalar_one())


def _account_of(row: RowMapping) -> Account:
    return Account(row["name"], row["role"], row["password"], bool(row["active"]), row["made_at"], row["changed_at"])
