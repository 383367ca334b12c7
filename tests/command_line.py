"""Commands run within the test's own process."""

from __future__ import annotations

from click.testing import CliRunner, Result

from dashboard.commands import pullcue


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
