"""The documents do not lie: the commands and files they name exist, and nothing belongs to one machine."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from dashboard.commands import SUBCOMMANDS, pullcue

ROOT = Path(__file__).parent.parent
DOCUMENTS = ("README.md", "DEVELOPERS.md")
SKIPPED = re.compile(r"\..*cache|\.venv.*|\.git|\.hypothesis|__pycache__|dist|htmlcov|demo-plan\..*")
#: Places that exist on one machine only. Put together here, so that this file does not name them itself.
LOCAL = re.compile("|".join([r"(?<![\w.])/" + r"work\b", r"\bsha" + "red/", "/" + "tmp/", "/" + "home/"]))


def commands_in(text: str) -> list[list[str]]:
    """The words after `pullcue` of each indented line that runs it."""
    lines = re.findall(r"^ {4}(?:python start\.py )?pullcue (.*)$", text, re.MULTILINE)
    return [shlex.split(line, comments=True) for line in lines]


def unknown_words(words: list[str]) -> list[str]:
    """What of one command line pullcue does not know: the subcommand, or options of it."""
    context = click.Context(pullcue)
    command = pullcue.get_command(context, words[0])
    if command is None:
        return words[:1]
    known = {name for parameter in command.get_params(context) for name in parameter.opts}
    return [word for word in words if word.startswith("--") and word not in known]


def project_files() -> Iterator[Path]:
    for path in sorted(ROOT.rglob("*")):
        if path.is_file() and not any(SKIPPED.fullmatch(part) for part in path.relative_to(ROOT).parts):
            yield path


def help_of(*words: str) -> str:
    return subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, check=True, encoding="utf-8", cwd=ROOT
    ).stdout


def test_unknown_words_are_found() -> None:
    assert commands_in("    pullcue plan --x 1  # why\n    python start.py pullcue b\ntext pullcue c") == [
        ["plan", "--x", "1"],
        ["b"],
    ]
    assert unknown_words(["plna"]) == ["plna"]
    assert unknown_words(["plan", "--no-such-option", "1"]) == ["--no-such-option"]


def test_readme_shows_every_command() -> None:
    assert {words[0] for words in commands_in((ROOT / "README.md").read_text("utf-8"))} == set(SUBCOMMANDS)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_shown_commands_exist(document: str) -> None:
    lines = commands_in((ROOT / document).read_text("utf-8"))
    assert [(words, unknown_words(words)) for words in lines if unknown_words(words)] == []


@pytest.mark.parametrize("document", DOCUMENTS)
def test_named_files_exist(document: str) -> None:
    spans = re.findall(r"`([\w.-]+(?:/[\w.-]+)*)`", (ROOT / document).read_text("utf-8"))
    named = {s for s in spans if re.search(r"/|\w\.(md|py|toml|lock)$", s) and not s.startswith((".venv", "uv."))}
    assert len(named) >= 3, "the pattern no longer finds what the document names"
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_help_lists_every_command() -> None:
    text = help_of("-c", "from dashboard.commands import main; main()", "--help")
    assert [name for name in SUBCOMMANDS if not re.search(rf"^  {name}  +\w", text, re.MULTILINE)] == []


@pytest.mark.parametrize("command", ["demo", "test", "pullcue", "bench"])
def test_start_help(command: str) -> None:
    assert f"python start.py {command}" in help_of("start.py", "--help")


def test_version_has_its_changes() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    assert f"\n## {version}" in (ROOT / "CHANGELOG.md").read_text("utf-8")


def test_no_file_names_a_place_of_one_machine() -> None:
    found = []
    for path in project_files():
        for number, line in enumerate(path.read_text("utf-8", errors="replace").splitlines(), 1):
            if LOCAL.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")
    assert found == []


@pytest.mark.parametrize("lock", ["requirements.lock", "requirements-dev.lock", "benchmarks/requirements.lock"])
def test_locks_hold_pins_and_hashes_only(lock: str) -> None:
    lines = (ROOT / lock).read_text("utf-8").splitlines()
    pin = re.compile(r"[a-z0-9-]+==[\w.]+( ; [^:]+)? \\|    --hash=sha256:[0-9a-f]{64}( \\)?")
    assert [line for line in lines if not pin.fullmatch(line)] == []
    assert any(line.startswith("hatchling==") for line in lines)


def test_locks_agree() -> None:
    def pins(lock: str) -> set[str]:
        return set(re.findall(r"^\S+==\S+", (ROOT / lock).read_text("utf-8"), re.MULTILINE))

    assert pins("requirements.lock") < pins("requirements-dev.lock")
    assert pins("requirements.lock") < pins("benchmarks/requirements.lock")
