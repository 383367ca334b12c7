"""Accounts of the people of a workshop, in an SQLite file of their own: names, roles, passwords as argon2 hashes.

Nobody gets a password from the program. A one-time code lets a person in once, to choose name and password: the first
is printed where the server is started, the others are made by a lab lead.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.web.attempts import Attempts
from dashboard.web.roles import LEAD, ROLES
from logger.clock import Clock
from thermal.fields import InputError, shown

if TYPE_CHECKING:
    from argon2 import PasswordHasher

#: What the file is called, in the folder of the records.
FILE = "accounts.sqlite"
#: Shorter passwords are guessed; longer ones only keep the hash busy (NIST SP 800-63B asks for 8 and 64, recalled).
SHORTEST, LONGEST = 10, 200
#: How long a code is good for, s.
CODE_S = 24 * 3600.0
#: A session that was ended is remembered for so long, s: longer than its cookie is good for.
ENDED_S = 24 * 3600.0
_NAME = re.compile(r"[^\W_][\w .'’-]{0,38}[^\W_]")
_NAME_WORDS = "2 to 40 letters, digits, spaces, dots or dashes"
#: No 0, 1, I, L, O, U: nobody reads one for the other, and no words come out.
_CODE_SIGNS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_CODE_GROUPS, _CODE_GROUP = 3, 4
_TABLES = """
CREATE TABLE IF NOT EXISTS account (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL, folded TEXT NOT NULL UNIQUE, role TEXT NOT NULL,
    password TEXT NOT NULL, stamp TEXT NOT NULL, made_utc TEXT NOT NULL, open INTEGER NOT NULL DEFAULT 1);
CREATE TABLE IF NOT EXISTS code (
    hash TEXT PRIMARY KEY, role TEXT NOT NULL, until_s REAL NOT NULL);
CREATE TABLE IF NOT EXISTS attempt (whose TEXT NOT NULL, at_s REAL NOT NULL);
CREATE INDEX IF NOT EXISTS attempt_whose ON attempt (whose, at_s);
CREATE TABLE IF NOT EXISTS ended (session TEXT PRIMARY KEY, at_s REAL NOT NULL);
CREATE TABLE IF NOT EXISTS secret (one INTEGER PRIMARY KEY CHECK (one = 1), key BLOB NOT NULL);
"""


@dataclass(frozen=True)
class Account:
    """A person's account.

    Attributes:
        stamp: changes with the password and at the end of the account; sessions that carry another are over.
        open: False: closed, kept because records name it.
    """

    id: int
    name: str
    role: str
    stamp: str
    open: bool


class Accounts:
    """The accounts in a file, made where there is none.

    Args:
        file: the SQLite file. clock: for codes and attempts. hasher: of passwords; None: argon2id as its library
        recommends (RFC 9106).

    Raises:
        InputError: the file cannot be used.
    """

    def __init__(self, file: Path, clock: Clock, hasher: PasswordHasher | None = None) -> None:
        from argon2 import PasswordHasher  # here: only a server with accounts needs it

        self._file, self._clock = file, clock
        self._hasher = hasher or PasswordHasher()
        self._attempts = Attempts()
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(file, os.O_CREAT | os.O_RDWR, 0o600))
            with self._base() as base:
                base.executescript(_TABLES)
        except (OSError, sqlite3.Error) as error:
            raise InputError(f"{file}: the accounts cannot be kept here ({error}): give rights and room") from None
        #: Checked where there is no such name, so that the answer takes as long.
        self._nobody = self._hasher.hash(secrets.token_urlsafe())

    def key(self) -> bytes:
        """The secret that signs sessions, 32 bytes, made once: sessions outlive a restart of the server."""
        with self._base() as base:
            base.execute("INSERT OR IGNORE INTO secret VALUES (1, ?)", (secrets.token_bytes(32),))
            return bytes(base.execute("SELECT key FROM secret").fetchone()[0])

    def everyone(self) -> list[Account]:
        """All accounts by name, closed ones too."""
        with self._base() as base:
            return [_account(row) for row in base.execute(f"{_SELECT} ORDER BY folded")]

    def holding(self, number: int, stamp: str, session: str = "") -> Account | None:
        """The open account of a session; None where its stamp is no longer the account's, or it was ended."""
        with self._base() as base:
            if base.execute("SELECT 1 FROM ended WHERE session = ?", (session,)).fetchone():
                return None
            row = base.execute(f"{_SELECT} WHERE id = ? AND open = 1", (number,)).fetchone()
        found = None if row is None else _account(row)
        return found if found is not None and secrets.compare_digest(found.stamp, stamp) else None

    def end(self, session: str) -> None:
        """End one session for good: its cookie may have been copied, and is signed for hours to come."""
        with self._base() as base:
            base.execute("DELETE FROM ended WHERE at_s < ?", (self._now_s() - ENDED_S,))
            base.execute("INSERT OR REPLACE INTO ended VALUES (?, ?)", (session, self._now_s()))

    def first_code(self) -> str | None:
        """A code for the first account, a lab lead's; None where a lab lead can sign in. Earlier codes end."""
        with self._base() as base:
            if base.execute("SELECT 1 FROM account WHERE open = 1 AND role = ?", (LEAD,)).fetchone():
                return None
            base.execute("DELETE FROM code")
        return self.code_for(LEAD)

    def code_for(self, role: str) -> str:
        """A one-time code with which a person chooses name and password, for a day; only its hash is kept.

        Raises:
            InputError: no such role.
        """
        _checked_role(role)
        groups = ["".join(secrets.choice(_CODE_SIGNS) for _ in range(_CODE_GROUP)) for _ in range(_CODE_GROUPS)]
        code = "-".join(groups)
        with self._base() as base:
            base.execute("INSERT INTO code VALUES (?, ?, ?)", (_code_hash(code), role, self._now_s() + CODE_S))
        return code

    def join(self, code: str, name: str, password: str, address: str) -> Account:
        """Use up a code: make the account with the name and password chosen.

        Raises:
            InputError: too many attempts, no such code, or a name or password that cannot be used.
        """
        tidy = " ".join(name.split())
        if not _NAME.fullmatch(tidy):
            raise InputError(f"name {shown(name)}: expected {_NAME_WORDS}")
        check_password(password, tidy)
        hashed = self._hasher.hash(password)
        with self._base() as base:
            tries = self._attempts.begin(base, self._now_s(), [("code", address, 10)])
        with self._base() as base:
            row = base.execute(
                "DELETE FROM code WHERE hash = ? AND until_s >= ? RETURNING role", (_code_hash(code), self._now_s())
            ).fetchone()
            if row is None:
                raise InputError(
                    "this code is not known, was used, or is older than a day: ask a lab lead for another; for the "
                    "first account start the server again, it prints one"
                )
            try:
                base.execute(
                    "INSERT INTO account (name, folded, role, password, stamp, made_utc) VALUES (?, ?, ?, ?, ?, ?)",
                    (tidy, tidy.casefold(), row[0], hashed, _stamp(), self._clock.utc().isoformat()),
                )
            except sqlite3.IntegrityError:
                base.rollback()
                raise InputError(f"there is an account {tidy!r} already: choose another name") from None
            self._attempts.forget(base, tries)
            return _account(base.execute(f"{_SELECT} WHERE folded = ?", (tidy.casefold(),)).fetchone())

    def sign_in(self, name: str, password: str, address: str) -> Account:
        """The account of a name and its password.

        Raises:
            InputError: they do not belong together, or were tried too often.
        """
        from argon2.exceptions import VerificationError

        folded = " ".join(name.split()).casefold()[:LONGEST]
        # An attempt counts before it is judged, so that many at once cannot all be judged first.
        limits = [("name and address", f"{folded} {address}", 5), ("address", address, 20), ("name", folded, 50)]
        with self._base() as base:
            tries = self._attempts.begin(base, self._now_s(), limits)
            row = base.execute(f"{_SELECT} WHERE folded = ? AND open = 1", (folded,)).fetchone()
            hashed = self._nobody if row is None else str(row["password"])
        try:
            self._hasher.verify(hashed, password[: LONGEST + 1])
        except VerificationError:
            row = None
        if row is None:
            raise InputError("name and password do not belong together: try again, or ask a lab lead for a new code")
        with self._base() as base:
            self._attempts.forget(base, tries)
        return _account(row)

    def change(self, number: int, role: str | None) -> None:
        """Give an account another role, or close it (None); its sessions end.

        Raises:
            InputError: no such role or account, or nobody would be left who can let others in.
        """
        if role is not None:
            _checked_role(role)
        with self._base() as base:
            row = base.execute(f"{_SELECT} WHERE id = ? AND open = 1", (number,)).fetchone()
            if row is None:
                raise InputError(f"account {number} is not open: reload the page")
            others = "SELECT 1 FROM account WHERE open = 1 AND role = ? AND id <> ?"
            if row["role"] == LEAD and role != LEAD and not base.execute(others, (LEAD, number)).fetchone():
                raise InputError(f"{row['name']} is the only lab lead: make another one first")
            base.execute(
                "UPDATE account SET role = ?, open = ?, stamp = ? WHERE id = ?",
                (role or row["role"], role is not None, _stamp(), number),
            )

    def _now_s(self) -> float:
        return self._clock.utc().timestamp()

    @contextmanager
    def _base(self) -> Iterator[sqlite3.Connection]:
        """A connection that writes at once, so that no two are between reading and writing."""
        with closing(sqlite3.connect(self._file, timeout=10.0, isolation_level="IMMEDIATE")) as base:
            base.row_factory = sqlite3.Row
            with base:
                yield base


_SELECT = "SELECT id, name, role, password, stamp, open FROM account"


def _account(row: sqlite3.Row) -> Account:
    return Account(int(row["id"]), str(row["name"]), str(row["role"]), str(row["stamp"]), bool(row["open"]))


def _stamp() -> str:
    return secrets.token_urlsafe(12)


def _code_hash(code: str) -> str:
    """A code has 58 random bits and ends within a day: a plain hash keeps it well enough."""
    signs = re.sub(r"[^0-9A-Z]", "", code.upper()[:LONGEST])
    return hashlib.sha256(signs.encode()).hexdigest()


def _checked_role(role: str) -> None:
    if role not in ROLES:
        raise InputError(f"role {shown(role)}: expected one of {', '.join(sorted(ROLES))}")


def check_password(password: str, name: str) -> None:
    """Refuse a password that is easily guessed.

    Raises:
        InputError: too short, too long, one sign over and over, or the name itself.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise InputError(f"the password has {len(password)} characters: expected {SHORTEST} to {LONGEST}")
    if len(set(password)) < 4 or name.casefold() in password.casefold():
        raise InputError("the password is easily guessed: take several words, and not your name")
