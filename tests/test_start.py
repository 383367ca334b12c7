"""The bootstrap and the list of what did not run: both are what a stranger meets first."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """start.py as a module, over an empty project whose set-up programs are only written down."""
    spec = importlib.util.spec_from_file_location("start", ROOT / "start.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "pyproject.toml").touch()
    for name, packages in (("requirements.lock", "ab"), ("requirements-dev.lock", "abcdefg")):
        (tmp_path / name).write_text("".join(f"{one}==1.0 \\\n    --hash=sha256:0{one}\n" for one in packages))
    calls: list[str] = []
    installed: list[str] = []

    def run(*words: object, **_: object) -> int:
        calls.append(" ".join(map(str, words)))
        if "--require-hashes" in words:
            installed.append(Path(str(words[-1])).read_text("utf-8"))
        if "--clear" in words:
            programs = Path(str(words[-1])) / ("Scripts" if sys.platform == "win32" else "bin")
            programs.mkdir(parents=True, exist_ok=True)
            (programs / f"python{module.EXE}").touch()
        return 0

    monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(module, "run", run)
    monkeypatch.setattr(module, "calls", calls, raising=False)
    monkeypatch.setattr(module, "installed", installed, raising=False)
    return module


def set_up_calls(start: ModuleType, kind: str) -> int:
    start.calls.clear()
    start.ready(kind)
    return len(start.calls)


#: The environment, its packages by so many pips, the project, the look whether anything lacks.
OF_RUN, OF_DEV = 1 + 2 + 2, 1 + 3 + 2


def test_second_run_installs_nothing(start: ModuleType) -> None:
    assert set_up_calls(start, "run") == OF_RUN
    assert "--require-hashes" in start.calls[1]
    assert start.calls[-1].endswith("pip check --disable-pip-version-check")
    assert set_up_calls(start, "run") == 0


def test_every_package_of_the_lock_is_installed_once_by_its_hashes(start: ModuleType, tmp_path: Path) -> None:
    start.ready("dev")
    assert len(start.installed) == 3
    entries = re.findall(r"\w==1.0 \\\n    --hash=sha256:0\w\n", "".join(start.installed))
    assert "".join(sorted(entries)) == (tmp_path / "requirements-dev.lock").read_text()


def test_what_lacks_a_package_is_not_set_up(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = start.run
    monkeypatch.setattr(start, "run", lambda *words, **_: 1 if "check" in words else whole(*words))
    with pytest.raises(SystemExit, match="lock lacks what pip names"):
        start.ready("run")
    monkeypatch.setattr(start, "run", whole)
    assert set_up_calls(start, "run") == OF_RUN


def test_tools_are_added_to_what_is_there_and_suffice_for_running(start: ModuleType) -> None:
    set_up_calls(start, "run")
    assert set_up_calls(start, "dev") == OF_DEV - 1, "no new environment: only the tools and the project"
    assert set_up_calls(start, "run") == 0


def test_changed_lock_is_installed(start: ModuleType, tmp_path: Path) -> None:
    set_up_calls(start, "dev")
    (tmp_path / "requirements.lock").write_text("another==1.0")
    assert set_up_calls(start, "dev") == OF_DEV


def test_interrupted_set_up_starts_afresh(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = start.run
    monkeypatch.setattr(start, "run", lambda *words, **_: 1 if "--require-hashes" in words else whole(*words))
    with pytest.raises(SystemExit, match="could not be installed"):
        start.ready("run")
    monkeypatch.setattr(start, "run", whole)
    assert set_up_calls(start, "run") == OF_RUN


def test_old_python_is_told(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start.sys, "version_info", (3, 9, 2))
    with pytest.raises(SystemExit, match=r"3\.11 or newer is needed; (run: python3|install)"):
        start.main(["demo"])


def test_python_without_venv_is_told(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(SystemExit, match="apt install python3-venv"):
        start.main(["test"])


@pytest.mark.parametrize("failing", ["ruff check", "mypy", "lint-imports", "pytest"])
def test_each_failing_check_fails_the_test_command(
    start: ModuleType, failing: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert start.main(["test"]) == 0
    monkeypatch.setattr(start, "run", lambda *words, **_: int(failing in " ".join(map(str, words)).replace(".exe", "")))
    assert start.main(["test"]) == 1
    assert "FAILED: " in capsys.readouterr().out


def test_what_the_checks_say_is_told_after_the_tests(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def run(*words: object, **more: Any) -> int:
        says = f"print('by {Path(str(words[0])).stem}')"
        return subprocess.call([sys.executable, "-c", says], stdout=more.get("into"))

    start.ready("dev")
    monkeypatch.setattr(start, "run", run)
    assert start.main(["test"]) == 0
    told = capfd.readouterr().out.split("\n")
    kept = [line for line in told if line.startswith(("==", "by "))]
    assert kept == [
        "== pytest, with the checks beside it, which are told below ==", "by pytest",
        "== ruff check ==", "by ruff", "== ruff format ==", "by ruff", "== mypy ==", "by mypy",
        "== import contracts ==", "by lint-imports",
    ]  # fmt: skip


@pytest.mark.parametrize(("ci", "code"), [("true", 1), ("", 0)])
def test_what_did_not_run_is_listed_and_fails_in_ci(
    ci: str, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "conftest.py").write_text((ROOT / "tests" / "conftest.py").read_text("utf-8"), "utf-8")
    (tmp_path / "test_page.py").write_text(
        "import pytest\ndef test_page():\n    pytest.skip('no chromium')\ndef test_sum():\n    pass\n"
    )
    monkeypatch.setenv("CI", ci)
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")  # they take longer to load than the rest
    result = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert result.returncode == code
    last = result.stdout.splitlines()[-3:]
    assert "not run here" in last[0]
    assert last[1].startswith("test_page.py::test_page: ")
    assert "no chromium" in last[1]
    assert last[2] == "1 passed, 1 skipped" or last[2].startswith("1 passed, 1 skipped")


@pytest.mark.parametrize("somebody", [True, False])
def test_the_demo_ends_by_itself_where_nobody_looks(
    start: ModuleType, somebody: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for stream in (start.sys.stdin, start.sys.stdout):
        monkeypatch.setattr(stream, "isatty", lambda: somebody, raising=False)
    assert start.main(["demo"]) == 0
    plan, practice = start.calls[-2:]
    assert " plan " in plan
    assert "practice" in practice
    assert ("--for" in practice) == ("--terminal" in practice) == (not somebody)


def test_a_demo_that_fails_says_so(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = start.run
    monkeypatch.setattr(start, "run", lambda *words, **_: 3 if "plan" in words else whole(*words))
    assert start.main(["demo"]) == 3
