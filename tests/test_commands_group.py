"""The group `pullcue`: late imports, and refusals of one sentence."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable

import click
import pytest
from click.testing import CliRunner, Result

from dashboard.commands import SUBCOMMANDS, LazyGroup, module_of, pullcue
from thermal.fields import InputError

HEAVY = ("matplotlib", "plotly", "scipy.optimize", "scipy.stats", "sqlalchemy", "alembic", "pandas", "pyarrow")


def loaded_after(statement: str) -> set[str]:
    """Names of the modules a fresh process has imported after a statement."""
    script = f"{statement}; import sys; print(*sys.modules)"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(result.stdout.split())


def run_with(callback: Callable[[], object], monkeypatch: pytest.MonkeyPatch, *words: str) -> Result:
    """Run the real group with `plan` replaced by a command that calls `callback`."""
    command = click.Command("plan", callback=callback, params=[click.Option(["--gauge-mm"], type=float)])
    monkeypatch.setattr(LazyGroup, "get_command", lambda self, ctx, name: command)
    return CliRunner().invoke(pullcue, ["plan", *words])


def raiser(error: BaseException) -> Callable[[], object]:
    def callback(**_: object) -> object:
        raise error

    return callback


def test_group_imports_no_command_and_no_numpy() -> None:
    loaded = loaded_after("from dashboard.commands import pullcue, main")
    assert "click" in loaded
    assert (
        loaded & {"numpy", "scipy", "rich", *HEAVY, *(f"dashboard.commands.{module_of(n)}" for n in SUBCOMMANDS)}
        == set()
    )


@pytest.mark.parametrize("name", SUBCOMMANDS)
def test_a_command_imports_itself_only_and_nothing_heavy(name: str) -> None:
    loaded = loaded_after(
        f"import click; from dashboard.commands import pullcue; pullcue.get_command(click.Context(pullcue), {name!r})"
    )
    others = {f"dashboard.commands.{module_of(other)}" for other in SUBCOMMANDS if other != name}
    assert f"dashboard.commands.{module_of(name)}" in loaded
    assert loaded & {*HEAVY, *others} == set()


def test_unknown_command_names_near_ones() -> None:
    result = CliRunner().invoke(pullcue, ["plna"])
    assert result.exit_code == 2
    assert "no command 'plna' (did you mean plan" in result.stderr
    assert result.stderr.count("\n") == 1


def test_no_words_show_the_help() -> None:
    result = CliRunner().invoke(pullcue, [])
    assert result.exit_code == 2
    assert "Commands:" in result.output


def test_version() -> None:
    result = CliRunner().invoke(pullcue, ["--version"])
    assert (result.exit_code, result.output.split()[0]) == (0, "pullcue")


def test_success_is_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    result = run_with(lambda **_: click.echo("ready"), monkeypatch, "--gauge-mm", "6")
    assert (result.exit_code, result.stdout, result.stderr) == (0, "ready\n", "")


def test_input_error_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    result = run_with(raiser(InputError("north.toml: set_c = 458: expected °C")), monkeypatch)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "pullcue: north.toml: set_c = 458: expected °C\n"


@pytest.mark.parametrize("words", [("--gauge-mm", "thick"), ("--gage-mm", "6")])
def test_usage_error_is_one_sentence(words: tuple[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    result = run_with(lambda **_: None, monkeypatch, *words)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1)
    assert "see 'pullcue plan --help'" in result.stderr
    assert "gauge-mm" in result.stderr


def test_missing_file_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    result = run_with(raiser(FileNotFoundError(2, "No such file", "mine.toml")), monkeypatch)
    assert result.exit_code == 2
    assert result.stderr.startswith("pullcue: mine.toml: No such file; check")


def test_interruption_ends_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    result = run_with(raiser(KeyboardInterrupt()), monkeypatch)
    assert (result.exit_code, result.stdout) == (130, "")
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("error", [OSError("no file named"), ZeroDivisionError("a fault of ours")])
def test_our_own_faults_are_not_hidden(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run_with(raiser(error), monkeypatch).exception is error


def test_a_console_without_the_sign_gets_a_question_mark() -> None:
    script = "import dashboard.commands as c, click; c.pullcue.main = lambda **_: click.echo('5 °C ⣿'); c.main()"
    result = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        check=True,
        env=os.environ | {"PYTHONIOENCODING": "cp1252"},
    )
    assert result.stdout.strip() == b"5 \xb0C ?"
