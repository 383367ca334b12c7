"""Is the program that runs Pullcue's own? Where its packages lie, who installed them, whether a file was changed."""

from __future__ import annotations

import json
import tomllib
from base64 import urlsafe_b64encode
from collections.abc import Iterable, Mapping
from hashlib import sha256
from importlib.metadata import Distribution, PackageNotFoundError, distribution, packages_distributions
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

from dashboard.bench_check import Finding, Grade

NAME = "pullcue"
#: Packages that this program may bring; those that are there are looked at.
PACKAGES = ("thermal", "logger", "calibration", "dashboard")
HOME = Path(__file__).resolve().parent.parent
_OWN_PLACE = "install Pullcue into an environment of its own"
_AGAIN = "install Pullcue again; in its own folder: python start.py"


def program_finding() -> Finding:
    """What is found of the program that runs."""
    try:
        installed = distribution(NAME)
    except PackageNotFoundError:
        installed = None
    return (
        strangers(packages_distributions())
        or _elsewhere(HOME)
        or (_wrong("it was never installed", _AGAIN) if installed is None else as_installed(installed, HOME))
    )


def _wrong(found: str, do: str) -> Finding:
    return Finding("program", Grade.WRONG, found, do)


def strangers(owners: Mapping[str, list[str]], ours: Iterable[str] = PACKAGES) -> Finding | None:
    """Another installed distribution that brings files under one of our names; None where there is none.

    Args:
        owners: by package, the distributions that bring it (`importlib.metadata.packages_distributions`).
    """
    for name in ours:
        for foreign in owners.get(name, []):
            if foreign.lower() != NAME:
                return _wrong(f"{foreign} brings a package {name} too, which is a name of Pullcue's", _OWN_PLACE)
    return None


def _elsewhere(home: Path) -> Finding | None:
    """A package that Python finds under our name in another place; None where all lie side by side."""
    for name in PACKAGES:
        spec = find_spec(name) if (home / name).is_dir() else None
        if (home / name).is_dir() and (
            spec is None or spec.origin is None or Path(spec.origin).resolve().parent.parent != home
        ):
            return _wrong(f"the package {name} here is not Pullcue's own", _OWN_PLACE)
    return None


def as_installed(installed: Distribution, home: Path) -> Finding:
    """Whether what runs from `home` is what was installed."""
    origin = json.loads(installed.read_text("direct_url.json") or "{}")
    if origin.get("dir_info", {}).get("editable"):
        return _of_folder(installed, home, Path(url2pathname(urlsplit(origin["url"]).path)).resolve())
    recorded = {
        Path(str(installed.locate_file(file))).resolve(): file.hash
        for file in installed.files or ()
        if file.parts[0] in PACKAGES
    }
    if not recorded or home / "dashboard" not in {path.parent for path in recorded}:
        place = Path(str(installed.locate_file(""))).resolve()
        return Finding("program", Grade.LOOK, f"it runs from {home}; installed is what lies in {place}", _AGAIN)
    for path, kept in recorded.items():
        if not path.is_file():
            return _wrong(f"{path.relative_to(home)} was installed and is missing", _AGAIN)
        if kept is not None and kept.mode == "sha256" and _digest(path) != kept.value:
            return _wrong(f"{path.relative_to(home)} is not as it was installed", _AGAIN)
    for name in PACKAGES:
        for path in sorted((home / name).rglob("*.py")):
            if path.resolve() not in recorded:
                return _wrong(f"{path.relative_to(home)} lies among its packages and was not installed", _AGAIN)
    return Finding("program", Grade.FINE, f"version {installed.version}; its {len(recorded)} files are as installed")


def _digest(path: Path) -> str:
    """As the RECORD of a distribution has it (PyPA, 'Recording installed projects')."""
    return urlsafe_b64encode(sha256(path.read_bytes()).digest()).decode().rstrip("=")


def _of_folder(installed: Distribution, home: Path, folder: Path) -> Finding:
    """Of a folder that is installed as it lies there: nothing recorded its files."""
    if folder != home:
        return Finding("program", Grade.LOOK, f"it runs from {home}; installed is the folder {folder}", _AGAIN)
    try:
        stated = tomllib.loads((home / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    except (OSError, ValueError, KeyError):
        return _wrong(f"{home} has no pyproject.toml that states a version", _AGAIN)
    if stated != installed.version:
        return _wrong(f"installed is version {installed.version}, and its folder holds {stated}", _AGAIN)
    return Finding("program", Grade.FINE, f"version {stated}, all its packages are its own, in {home}")
