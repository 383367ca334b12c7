"""Commands run within the test's own process."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.shop import DEMO_FOLDER


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, list(words))


def ok(*words: str) -> str:
    """What it printed."""
    result = run(*words)
    assert result.exit_code == 0, result.output
    return result.stdout


def refused(*words: str) -> str:
    """The one sentence it was refused with."""
    result = run(*words)
    assert result.exit_code == 2, result.output
    assert result.stderr.count("\n") == 1
    return result.stderr


def demo_store(path: Path) -> str:
    """A new store in this file with the three demo heats, imported once."""
    path.write_bytes(_imported())
    return str(path)


@functools.cache
def _imported() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.sqlite"
        ok("import", str(DEMO_FOLDER / "heats"), "--store", str(path))
        return path.read_bytes()
