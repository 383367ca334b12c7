"""A PostgreSQL of the tests' own: Debian's programs, a folder of their own, no network."""

from __future__ import annotations

import os
import shutil
import signal
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
    """One server. It refuses to run as root, so that root starts it as user postgres.

    Args:
        bin_folder: of its programs.
        synced: whether it waits for the disk. What it was told is kept through its own sudden end without that, and no
            test takes the power from it; a measurement of its speed needs it.
    """

    def __init__(self, bin_folder: Path, synced: bool = False) -> None:
        self._bin, self._synced = bin_folder, "on" if synced else "off"
        self.folder = Path(tempfile.mkdtemp(prefix="pullcue-pg-"))
        self._as: dict[str, str] = {}
        if os.name == "posix" and os.getuid() == 0:
            shutil.chown(self.folder, "postgres")
            self._as = {"user": "postgres"}
        self._data = self.folder / "data"
        words = ("-D", str(self._data), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync")
        self._run("initdb", *words)
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
        options = f"-c listen_addresses='' -k {self.folder} -c max_connections=50 -c fsync={self._synced}"
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

    def signal(self, name: str) -> None:
        """Send a signal to all of the server's processes: STOP has them stand still, CONT go on."""
        first = int((self._data / "postmaster.pid").read_text().split()[0])
        children = Path(f"/proc/{first}/task/{first}/children").read_text().split()
        for pid in (first, *map(int, children)):
            os.kill(pid, getattr(signal, f"SIG{name}"))

    def url(self, name: str, like: str = "template1") -> str:
        """Of a new database, a copy of another to which nobody is connected; without a name of it an empty one."""
        admin = create_engine(self._url("postgres"), isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            connection.execute(text(f'CREATE DATABASE "{name}" TEMPLATE "{like}"'))
        admin.dispose()
        return self._url(name)

    def dump(self, name: str) -> bytes:
        """A database as SQL statements that any client can run."""
        words = ("-h", str(self.folder), "-U", "postgres", "--inserts", "--no-owner", "--no-privileges", name)
        done = subprocess.run([str(self._bin / "pg_dump"), *words], capture_output=True, check=True)
        lines = done.stdout.splitlines(keepends=True)
        # \restrict and \unrestrict are words of psql's; settings of a newer server are unknown to an older one.
        return b"".join(line for line in lines if not line.startswith((b"\\", b"SET ", b"--")))

    def load(self, name: str, statements: bytes) -> str:
        """The URL of a new database in which these statements were run."""
        url = self.url(name)
        engine = create_engine(url)
        with engine.begin() as connection:
            connection.connection.cursor().execute(statements.decode())
        engine.dispose()
        return url

    def _url(self, name: str) -> str:
        return f"postgresql+psycopg://postgres@/{name}?host={self.folder}"

    def close(self) -> None:
        """Stop and take the folder away."""
        self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)
