"""What all tests share: repeatable draws, no shop of the developer's own, a list of what did not run."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import hypothesis
import pytest

if TYPE_CHECKING:
    import postgres_server

IN_CI = os.environ.get("CI", "").lower() == "true"

hypothesis.settings.register_profile("here", deadline=None)
hypothesis.settings.register_profile("ci", deadline=None, derandomize=True, database=None, print_blob=True)
hypothesis.settings.load_profile("ci" if IN_CI else "here")

# A shell that starts this in the background has Ctrl-C ignored, and children that tests send it to would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# Before numpy is imported, which nothing above does, as the program itself has it: threads of a linear algebra library
# wait by turning round, and as many processes as there are cores take each other's time so.
for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

#: A folder in the memory of Linux, and the room there that makes it ours, bytes.
_MEMORY, _ROOM = Path("/dev/shm"), 4_000_000_000
#: All files that tests and programs that they start put into the folder for such.
_FILES = tempfile.TemporaryDirectory(
    prefix="pullcue-tests-",
    # Every second recorded waits for the disk, most of the time that tests of records take. A sync is done and counted
    # in memory too, and what it is worth is told by power cuts played back from a trace, not by its slowness. Faults in
    # their full size are for the disk.
    dir=_MEMORY
    if not os.environ.get("PULLCUE_FULL_FAULTS") and _MEMORY.is_dir() and shutil.disk_usage(_MEMORY).free > _ROOM
    else None,
    ignore_cleanup_errors=True,
)
os.chmod(_FILES.name, 0o711)  # the tests' PostgreSQL has a user of its own
tempfile.tempdir = os.environ["TMPDIR"] = _FILES.name

os.environ.pop("PULLCUE_SHOP", None)
#: What the practice oven records in tests goes here, away from the records of whoever runs them.
os.environ["PULLCUE_DATA"] = tempfile.mkdtemp(prefix="data-")
#: Programs are started by the dozen: what one has compiled serves the next.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


#: Half a minute of work each whose names come late: begun last, one core would wait for them.
_FIRST = ("test_watch.py", "test_swapped.py", "test_running_heat.py")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put those files before all others, which stay in their order."""
    items.sort(key=lambda item: item.path.name not in _FIRST)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """What was imported lives as long as the tests: to look through it for garbage is a twentieth of their work."""
    gc.freeze()
    gc.set_threshold(700, 10, 40)


@pytest.fixture(scope="module")
def postgresql() -> Iterator[postgres_server.Postgres]:
    """A PostgreSQL of this file's own tests, which may stop and start it."""
    import postgres_server  # sqlalchemy: not for the tests that need no database

    programs = postgres_server.programs()
    if programs is None:
        pytest.skip("needs PostgreSQL (apt-get install postgresql): its initdb and pg_ctl were not found")
    running = postgres_server.Postgres(programs)
    yield running
    running.close()


def _not_run(reporter: pytest.TerminalReporter) -> list[str]:
    """One line a skipped test: its name and the reason it gave."""
    return [
        f"{report.nodeid}: {report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr}"
        for report in reporter.stats.get("skipped", [])
    ]


def _reporter(config: pytest.Config) -> pytest.TerminalReporter | None:
    plugin = config.pluginmanager.get_plugin("terminalreporter")
    return plugin if isinstance(plugin, pytest.TerminalReporter) else None


@pytest.hookimpl(trylast=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """List by name, in the last lines, the tests whose tool (a browser, a database ...) is not here."""
    if lines := _not_run(terminalreporter):
        terminalreporter.section("not run here" + (": a failure in CI" if IN_CI else ""))
        for line in lines:
            terminalreporter.write_line(line)


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """In CI every tool is installed: a test that did not run fails the run."""
    reporter = _reporter(session.config)
    if IN_CI and reporter is not None and _not_run(reporter) and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
