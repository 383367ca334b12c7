"""A PostgreSQL of the tests' own: Debian's programs, a folder of their own, no network."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

from sqlalchemy import create_engine, text


def programs() -> Path | None:
    """The folder of `initdb` and `pg_ctl`, None where PostgreSQL is not installed."""
    found = shutil.which("pg_ctl")
    if found:
        return Path(found).resolve().parent
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), key=lambda path: int(path.parts[-3]))
    return debian[-1].parent if debian else None


class Postgres:
    """One server. It refuses to run as root, so that root starts it as user postgres."""

    def __init__(self, bin_folder: Path) -> None:
        self._bin = bin_folder
        self.folder = Path(tempfile.mkdtemp(prefix="pullcue-pg-"))
        self._as: dict[str, str] = {}
        if os.name == "posix" and os.getuid() == 0:
            shutil.chown(self.folder, "postgres")
            self._as = {"user": "postgres"}
        self._data = self.folder / "data"
        self._run("initdb", "-D", str(self._data), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-locale")
        self.start()

    def _run(self, program: str, *words: str) -> None:
        done = subprocess.run(
            [str(self._bin / program), *words],
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,  # a pipe would be held open by the server
            stderr=subprocess.DEVNULL,
            timeout=300,
            **self._as,  # type: ignore[call-overload]
        )
        log = self.folder / "log"
        said = log.read_text(errors="replace")[-2000:] if log.exists() else ""
        assert done.returncode == 0, f"{program} {words} ended with {done.returncode}: {said}"

    def start(self) -> None:
        """Start, and wait until it answers.

        After an immediate stop, processes of the old server may still be going, and it refuses to start beside them.
        """
        options = f"-c listen_addresses='' -k {self.folder} -c max_connections=50"
        words = ("-D", str(self._data), "-w", "-t", "240", "-l", str(self.folder / "log"), "-o", options, "start")
        for left in reversed(range(10)):
            try:
                return self._run("pg_ctl", *words)
            except AssertionError:
                if not left:
                    raise
                time.sleep(1.0)

    def stop(self, how: str = "fast") -> None:
        """Stop; 'immediate' is as a crash: nothing is written out."""
        self._run("pg_ctl", "-D", str(self._data), "-w", "-t", "240", "-m", how, "stop")

    def url(self, name: str) -> str:
        """Of a database, which is made empty if need be."""
        admin = create_engine(self._url("postgres"), isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{name}"'))
        admin.dispose()
        return self._url(name)

    def _url(self, name: str) -> str:
        return f"postgresql+psycopg://postgres@/{name}?host={self.folder}"

    def close(self) -> None:
        """Stop and take the folder away."""
        self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)
