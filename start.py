"""Set Pullcue up in an environment of its own and run it. Needs Python 3.11 or newer, nothing else.

    python start.py demo             set up, then practise a heat on the page at the oven; Ctrl-C ends it
    python start.py test [ARGS]      set up, then run every check and test (ARGS go to pytest)
    python start.py pullcue [ARGS]   set up, then run `pullcue ARGS`
    python start.py bench [FILES]    set up, then run the benchmarks

The first run installs the pinned packages into .venv beside this file and takes a minute or two; later runs
start at once. Nothing outside this folder is touched: deleting .venv undoes it.
"""

# Only the standard library, and no syntax newer than Python 3.8: an older Python must get as far as being
# told that it is too old.
from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parent
OLDEST = (3, 11)
#: What is run -> its environment and its lock. The dev lock holds all of the run lock.
KINDS = {
    "run": (".venv", "requirements.lock"),
    "dev": (".venv", "requirements-dev.lock"),
    "bench": (".venv-bench", "benchmarks/requirements.lock"),
}
#: So many pips fill an environment at the same time: each unpacks on one core and now and then waits for the network.
PIPS = 3
EXE = ".exe" if os.name == "nt" else ""
#: A sheet is planned; then the practice oven and its page are started where somebody sits at a terminal, and where
#: nobody does a whole heat is practised as text, in half a minute, and ends by itself.
DEMO_PLAN = "pullcue plan --polymer hdpe --gauge-mm 4 --oven north --opening-mm 300"
DEMO_PAGE = "pullcue practice --speed 10"
DEMO_TEXT = "pullcue practice --terminal --speed 30 --put-in 30 --pull 660 --for 700 --no-record"


def stop(message: str) -> SystemExit:
    """The exception that ends this program with one sentence on stderr and exit code 1."""
    return SystemExit(f"start.py: {message}")


def check_python() -> None:
    """Refuse a Python that is too old or cannot make environments, and say what to do."""
    if sys.version_info < OLDEST:
        names = [f"python3.{minor}" for minor in range(15, OLDEST[1] - 1, -1)]
        found = [name for name in names if shutil.which(name)]
        cure = f"run: {found[0]} start.py" if found else "install a newer one and run this again with it"
        raise stop(f"this is Python {sys.version.split()[0]}, but 3.11 or newer is needed; {cure}")
    if not (importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip")):
        raise stop(
            "this Python has no venv module; on Debian or Ubuntu run 'sudo apt install python3-venv', "
            "elsewhere install Python with its standard library complete, then run this again"
        )


def stamp(kind: str) -> str:
    """What an environment of this kind was made from: folder, Python, locks and project table."""
    sources = [KINDS[name][1] for name in KINDS if KINDS[name][0] == KINDS[kind][0]]
    content = b"".join((ROOT / name).read_bytes() for name in [*sources, "pyproject.toml"])
    return "\n".join([str(ROOT), sys.base_prefix, sys.version, hashlib.sha256(content).hexdigest()])


def run(*words: object, folder: Path = ROOT, into: IO[bytes] | None = None) -> int:
    """Run a program in a folder, the project's where none is given; its exit code. `into`: what it says goes there."""
    errors = None if into is None else subprocess.STDOUT
    return subprocess.call([str(word) for word in words], cwd=folder, stdout=into, stderr=errors)


def pip(python: Path, *words: str) -> None:
    """One call of the environment's pip, which speaks for itself when it fails."""
    # Compiled is what is imported, when it is; the set-up takes a third less time.
    quiet = ("--quiet", "--disable-pip-version-check", "--no-input", "--no-compile")
    if run(python, "-m", "pip", "install", *quiet, *words) != 0:
        raise stop(
            "the packages could not be installed; pip says why above. Most often there is no network, or a "
            "proxy is not set (HTTPS_PROXY). Run this again when that is mended: it starts afresh"
        )


def install(python: Path, lock: Path) -> None:
    """Install what a lock names, which is all that its packages need: 'pip check' tells where it is not."""
    packages = re.findall(r"^\w.*\n(?:[ \t].*\n)*", lock.read_text("utf-8"), re.MULTILINE)
    pinned = ("--require-hashes", "--only-binary", ":all:", "--no-deps", "-r")
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(PIPS) as beside:
        parts = [Path(folder, f"part-{number}.txt") for number in range(min(PIPS, len(packages)))]
        for number, part in enumerate(parts):
            part.write_text("".join(packages[number::PIPS]), "utf-8")
        list(beside.map(lambda part: pip(python, *pinned, str(part)), parts))


def ready(kind: str) -> Path:
    """The folder of programs of an environment of this kind, made or renewed where needed.

    The stamp is removed before and written after all else, so a set-up that was cut off is done again.
    """
    home = ROOT / KINDS[kind][0]
    programs = home / ("Scripts" if EXE else "bin")
    python = programs / f"python{EXE}"
    mark = home / "pullcue-set-up.txt"
    made_as, _, made_from = mark.read_text("utf-8").partition("\n") if mark.exists() else ("", "", "")
    current = made_from == stamp(kind) and python.exists()
    if current and made_as in (kind, "dev"):
        return programs
    if Path(sys.prefix).resolve() == home:
        raise stop(f"{home.name} must be renewed but is in use; run 'deactivate', then this again")
    print(f"Setting up {home.name} from {KINDS[kind][1]}; this takes a minute or two ...", flush=True)
    mark.unlink(missing_ok=True)
    if not current and run(sys.executable, "-m", "venv", "--clear", home) != 0:
        raise stop(f"the environment {home} could not be made; see above")
    install(python, ROOT / KINDS[kind][1])
    pip(python, "--no-deps", "--no-build-isolation", "--editable", str(ROOT))
    if run(python, "-m", "pip", "check", "--disable-pip-version-check") != 0:
        raise stop(f"{KINDS[kind][1]} lacks what pip names above, a fault of this project: please report it")
    mark.write_text(f"{kind}\n{stamp(kind)}", "utf-8")
    return programs


def check(name: str, said: IO[bytes], *words: object) -> int:
    """One check; its name and what it says go into the file."""
    said.write(f"\n== {name} ==\n".encode())
    said.flush()
    return run(*words, into=said)


def test(words: list[str]) -> int:
    """Every check, while pytest runs; all run even when one fails. 0 when all passed."""
    programs = ready("dev")
    checks = {
        "ruff check": ["ruff", "check", "."],
        "ruff format": ["ruff", "format", "--check", "--output-format", "concise", "."],
        "mypy": ["mypy"],
        "import contracts": ["lint-imports"],
    }
    # A file's tests stay together: they share a server, a browser, a port. In the order of their names: sorted by how
    # many there are, the few long ones in a browser would come last and one core would wait for them.
    tests = ["pytest", "-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder", *words]
    with tempfile.TemporaryFile() as said, ThreadPoolExecutor(1) as beside:
        # One after the other, for tests wait for clocks and browsers now and then; told when all of them are through.
        waiting = {
            name: beside.submit(check, name, said, programs / f"{program}{EXE}", *arguments)
            for name, (program, *arguments) in checks.items()
        }
        print("\n== pytest, with the checks beside it, which are told below ==", flush=True)
        codes = {"pytest": run(programs / f"{tests[0]}{EXE}", *tests[1:])}
        codes.update((name, one.result()) for name, one in waiting.items())
        said.seek(0)
        print(said.read().decode("utf-8", "replace"), flush=True)
    failed = [name for name, code in codes.items() if code != 0]
    if failed:
        print(f"\nFAILED: {', '.join(failed)}", flush=True)
    return 1 if failed else 0


def demo(program: Path, rest: list[str]) -> int:
    """Plan a sheet, then practise its heat; 0 when both went well."""
    code = 0
    for line in (DEMO_PLAN, DEMO_PAGE if sys.stdin.isatty() and sys.stdout.isatty() else DEMO_TEXT):
        print(f"Running: {line}", flush=True)
        code = code or run(program, *line.split()[1:], *(rest if line != DEMO_PLAN else []))
    return code


def main(words: list[str]) -> int:
    """Carry out one command line; the exit code."""
    command, rest = (words[0], words[1:]) if words else ("", [])
    if command not in ("demo", "test", "pullcue", "bench"):
        print(__doc__)
        return 0 if command in ("-h", "--help", "help") else 2
    check_python()
    if command == "test":
        return test(rest)
    if command == "bench":
        python = ready("bench") / f"python{EXE}"
        files = rest or sorted(str(path) for path in (ROOT / "benchmarks").glob("[!_]*.py"))
        return max([run(python, file) for file in files], default=0)
    program = ready("run") / f"pullcue{EXE}"
    if command == "pullcue":
        return run(program, *rest, folder=Path.cwd())
    return demo(program, rest)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
