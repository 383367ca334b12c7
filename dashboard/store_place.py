"""Where a shop's records are kept: which store, which spool beside it, and when it was last backed up.

    records/pullcue.sqlite      the store, in the shop's folder, unless shop.toml says store = "postgresql+psycopg://..."
    records/spool               what the store could not take yet
    records/marks               marks on their way to the recorder

The demo shop is read-only, and the practice oven's heats are no evidence of anything: both are kept in the data folder
of this computer, under 'practice'.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

from dashboard.shop import Shop
from thermal.fields import InputError, shown

#: Names another folder than the platform's for what the tool keeps by itself.
VARIABLE = "PULLCUE_DATA"
FOLDER, FILE = "records", "pullcue.sqlite"
SQLITE, POSTGRESQL = "sqlite:///", "postgresql+psycopg://"
#: What is said of a store's file that holds nothing.
EMPTY_FILE = "the file is empty: it was cut short, or a power cut met its making"
#: From this age of the last backup on, it is called old.
OLD_BACKUP = timedelta(days=7)
_PASSWORD = re.compile(r"(?<=://)([^/@:]*):[^@/]*(?=@)")


@dataclass(frozen=True)
class StorePlace:
    """A store and what lies beside it.

    Attributes:
        url: sqlite:///PATH or postgresql+psycopg://... folder: on this computer, for the spool and marks.
        practice: what is kept here was computed, not measured.
    """

    url: str
    folder: Path
    practice: bool = False

    @property
    def file(self) -> Path | None:
        """The SQLite file; None where the store is a server's."""
        return Path(self.url[len(SQLITE) :]) if self.url.startswith(SQLITE) else None

    @property
    def spool(self) -> Path:
        """Where the recorder keeps what the store cannot take."""
        return self.folder / "spool"

    @property
    def marks(self) -> Path:
        """Where marks wait for the recorder."""
        return self.folder / "marks"

    @property
    def words(self) -> str:
        """The place for people: a file's name, or the URL without its password."""
        return str(self.file) if self.file is not None else _without_password(self.url)

    def make(self) -> None:
        """Make the folder.

        Raises:
            InputError: it cannot be made or written to.
        """
        for folder in {self.folder, self.file.parent if self.file is not None else self.folder}:
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise InputError(
                    f"{folder}: the folder of the records cannot be made ({error.strerror or error}): give it "
                    "rights and room, or name another place with --store"
                ) from None

    @property
    def is_empty_file(self) -> bool:
        """Whether the store's file is there and holds nothing at all; a store without heats holds its tables."""
        return self.file is not None and self.file.is_file() and not self.file.stat().st_size

    def must_exist(self) -> None:
        """Refuse to look into a store that nobody has made: a slip in the name would look like an empty one.

        Raises:
            InputError: there is no such file, or nothing in it.
        """
        if self.is_empty_file:
            raise InputError(
                f"{self.words}: {EMPTY_FILE}: there is nothing to read in it; put a backup back with 'pullcue backup "
                "DIR --restore', or delete it where nothing was ever recorded here"
            )
        if self.file is not None and not self.file.exists():
            raise InputError(
                f"{self.words}: there are no records here yet: record a heat with 'pullcue bench' or 'pullcue "
                "practice', bring some with 'pullcue import', or name their place with --store"
            )


def store_place(shop: Shop, asked: str | None = None, practice: bool = False) -> StorePlace:
    """Where the records of a shop are.

    Args:
        asked: `--store`: a URL, or the name of a SQLite file. practice: those of the practice oven.

    Raises:
        InputError: a URL of another kind.
    """
    of_demo = shop.is_demo or practice
    folder = data_folder() / "practice" if of_demo else shop.folder / FOLDER
    if asked is not None:
        url = _url(asked, "--store")
        chosen = StorePlace(url, folder, practice)
        # Beside a store of its own lies a spool of its own: another store's would be poured into it.
        return chosen if chosen.file is None else StorePlace(url, chosen.file.parent, practice)
    if shop.store and not of_demo:
        return StorePlace(_url(shop.store, "shop.toml: store"), folder)
    return StorePlace(f"{SQLITE}{folder / FILE}", folder, of_demo)


def data_folder() -> Path:
    """Where the tool keeps on this computer what belongs to no shop."""
    if variable := os.environ.get(VARIABLE, "").strip():
        return Path(variable)
    from platformdirs import user_data_path  # only here, where it is needed

    return user_data_path("pullcue", appauthor=False)


def _without_password(url: str) -> str:
    return _PASSWORD.sub(r"\1:...", url)


def _url(text: str, by: str) -> str:
    expected = f"{SQLITE}FILE, the name of a file, or {POSTGRESQL}USER@HOST/DATABASE"
    if not text.strip() or "\0" in text:
        raise InputError(f"{by} {text!r}: expected {expected}")
    if "://" not in text:
        return f"{SQLITE}{Path(text).absolute()}"
    if text.startswith(SQLITE) and len(text) > len(SQLITE):
        return f"{SQLITE}{Path(text[len(SQLITE) :]).absolute()}"
    if text.startswith(POSTGRESQL) and len(urlsplit(text).path) > 1:
        return text
    raise InputError(f"{by} {shown(_without_password(text))}: expected {expected}")


# ---------------------------------------------------------------- backups


def backup_words(last: tuple[int, str] | None, now: datetime) -> tuple[bool, str]:
    """Whether the last backup is recent, and a sentence that says how old it is.

    Args:
        last: (ms since 1970, path); None: never.
    """
    if last is None:
        return False, "never backed up"
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=last[0])
    if at > now:
        return False, f"the last backup is dated {at:%Y-%m-%d %H:%M} UTC, which is yet to come ({last[1]})"
    gone = "" if Path(last[1]).exists() else ", which cannot be reached now"
    return now - at < OLD_BACKUP, f"last backed up {age_words(now - at)} ago ({last[1]}{gone})"


def age_words(age: timedelta) -> str:
    """'3 days', '5 hours', '12 minutes'."""
    seconds = age.total_seconds()
    for size_s, word in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= size_s:
            count = int(seconds // size_s)
            return f"{count} {word}{'' if count == 1 else 's'}"
    return "less than a minute"
