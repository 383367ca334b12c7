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
from thermal.case import Case
from thermal.fields import InputError
from thermal.oven import OvenCard, oven_card_from_mapping
from thermal.plan import plan
from thermal.polymer import Polymer
from thermal.polymer_data import polymer_from_mapping

ROOT = Path(__file__).parent.parent
DOCUMENTS = (
    "README.md", "DEVELOPERS.md", "docs/oven-card.md", "docs/polymer-file.md", "docs/records.md", "docs/watch.md",
    "docs/oven-page.md", "docs/drift.md", "docs/choosing.md", "docs/review.md",
)  # fmt: skip
#: Files of a person's own shop.
A_SHOPS = ("ovens/", "polymers/", "records/", "shop.toml", "equipment.toml", "limb.toml")
SKIPPED = re.compile(r"\..*cache|\.venv.*|\.git|\.hypothesis|__pycache__|dist|htmlcov|demo-plan\..*")
#: Places that exist on one machine only. Put together here, so that this file does not name them itself.
LOCAL = re.compile("|".join([r"(?<![\w.])/" + r"work\b", r"\bsha" + "red/", "/" + "tmp/", "/" + "home/"]))


def commands_in(text: str) -> list[list[str]]:
    """The words after `pullcue` of each indented line that runs it."""
    lines = re.findall(r"^ {4}(?:python start\.py )?pullcue (.*)$", text, re.MULTILINE)
    return [shlex.split(line, comments=True) for line in lines]


def unknown_words(words: list[str]) -> list[str]:
    """What of one command line pullcue does not know: the subcommand, one below it, or options of it."""
    context, rest = click.Context(pullcue), words
    command: click.Command = pullcue
    while isinstance(command, click.Group):
        found = command.get_command(context, rest[0]) if rest else None
        if found is None:
            # `pullcue heats`, `pullcue heats --oven north` and `pullcue heats 12` are complete without a subcommand.
            begins_well = not rest or rest[0].startswith("--") or all(word.isdigit() for word in rest)
            if command.invoke_without_command and begins_well:
                break
            return rest[:1]
        command, rest = found, rest[1:]
    known = {name for parameter in command.get_params(context) for name in parameter.opts}
    return [word for word in rest if word.startswith("--") and word not in known]


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
    assert unknown_words(["sensors", "chekc", "--type", "K"]) == ["chekc"]
    assert unknown_words(["sensors", "check", "TC-1", "--typ", "K"]) == ["--typ"]
    assert unknown_words(["heats", "--oven", "north", "--form", "x"]) == ["--form"]
    assert unknown_words(["heats", "12"]) == unknown_words(["heats", "photo", "12", "--to", "x"]) == []
    assert unknown_words(["heats", "foto", "12"]) == ["foto"]


def test_readme_shows_every_command() -> None:
    assert {words[0] for words in commands_in((ROOT / "README.md").read_text("utf-8"))} == set(SUBCOMMANDS)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_shown_commands_exist(document: str) -> None:
    lines = commands_in((ROOT / document).read_text("utf-8"))
    assert [(words, unknown_words(words)) for words in lines if unknown_words(words)] == []


@pytest.mark.parametrize("document", DOCUMENTS)
def test_named_files_exist(document: str) -> None:
    spans = re.findall(r"`([\w.-]+(?:/[\w.-]+)*)`", (ROOT / document).read_text("utf-8"))
    named = {
        s for s in spans if re.search(r"/|\w\.(md|py|toml|lock)$", s) and not s.startswith((".venv", "uv.", *A_SHOPS))
    }
    assert named, "the pattern no longer finds what the document names"
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


# ---------------------------------------------------------------- the files that people write


def example_of(document: str) -> str:
    (block,) = re.findall(r"^```toml\n(.*?)^```", (ROOT / document).read_text("utf-8"), re.MULTILINE | re.DOTALL)
    return str(block)


def card_of(text: str) -> OvenCard:
    return oven_card_from_mapping(tomllib.loads(text), "oven-card.md")


def polymer_of(text: str) -> Polymer:
    return polymer_from_mapping(tomllib.loads(text), "polymer-file.md")


def needed(text: str) -> str:
    """An example without what it says may be left out."""
    kept, _, _ = text.partition("# From here on")
    assert kept != text
    return kept


def test_a_plan_is_made_of_the_examples() -> None:
    card, polymer = card_of(example_of("docs/oven-card.md")), polymer_of(example_of("docs/polymer-file.md"))
    assert None not in (card.tray, card.uncertainty, card.valid.until, card.evidence)
    assert None not in (polymer.viscosity, polymer.crystallisation, polymer.drying, polymer.forming.dose)
    made = plan(Case(polymer, 4e-3, card, card.set_c, opening_m=(0.3,)))
    assert made.ready_s is not None
    assert made.curve.drop_mm is not None


def test_examples_without_what_may_be_left_out() -> None:
    assert card_of(needed(example_of("docs/oven-card.md"))).tray is None
    text = needed(example_of("docs/polymer-file.md")).replace("clears_when_melted = true", "")
    assert polymer_of(text).viscosity is None


@pytest.mark.parametrize("document", ["docs/oven-card.md", "docs/polymer-file.md"])
def test_nothing_more_of_the_examples_may_be_left_out(document: str) -> None:
    """Each number of the needed part that the document calls refused if left out."""
    text = needed(example_of(document)).replace("clears_when_melted = true", "")
    optional = {"version", "note", "source", "basis", "rel_std", "stretch_max", "temperature_c"}
    read = card_of if document == "docs/oven-card.md" else polymer_of
    for line in text.splitlines():
        key = line.split(" = ")[0]
        if " = " not in line or key in optional:
            continue
        with pytest.raises(InputError, match=key):
            read(text.replace(f"{line}\n", "", 1))


@pytest.mark.parametrize(
    ("document", "reader"),
    [("docs/oven-card.md", "thermal/oven.py"), ("docs/polymer-file.md", "thermal/polymer_data.py")],
)
def test_every_key_that_is_read_is_documented(document: str, reader: str) -> None:
    source = (ROOT / reader).read_text("utf-8")
    asked = r"\.(?:number|numbers|maybe_number|text|flag|raw|table|maybe_table|tables)\(\s*\"(\w+)\""
    keys = set(re.findall(asked, source))
    assert len(keys) > 15, "the pattern no longer finds what is read"
    text = (ROOT / document).read_text("utf-8")
    told = {part for span in re.findall(r"`([^`\n]+)`", text) for part in re.findall(r"\w+", span)}
    assert sorted(keys - told) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("h_w_m2k = 18.0", "at most 2000 W/(m2 K)"),
        ("door_drop_k = 40.0", "at most 300 K"),
        ("recovery_s = 90.0", "at most 36000 s"),
        ("mass_kg_m2 = 8.1", "at most 200 kg/m2"),
        ("contact_w_m2k = 150.0", "at most 20000 W/(m2 K)"),
    ],
)
def test_ranges_of_the_oven_card_are_as_documented(line: str, said: str) -> None:
    text = example_of("docs/oven-card.md")
    with pytest.raises(InputError, match=re.escape(said)):
        card_of(text.replace(line, f"{line.split(' = ')[0]} = 1e9", 1))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("value = 920.0", "at least 300 and at most 3000 kg/m3"),
        ("linear_1_k = 1.0e-4", "at least 1e-06 and at most 0.001 1/K"),
        ("limit_s = 3600.0", "at most 360000 s"),
        ("stretch_max = 6.0", "above 1 and at most 20"),
        ("enthalpy_j_kg = 80000.0", "at least 1000 and at most 400000 J/kg"),
        ("hours_per_mm = 1.0", "at most 24 h per mm"),
        ("temperature_std_k = 3.0", "at most 30 K"),
        ("rubber_modulus_pa = 500000.0", "at least 1000 and at most 1e+09 Pa"),
    ],
)
def test_ranges_of_the_polymer_file_are_as_documented(line: str, said: str) -> None:
    text = example_of("docs/polymer-file.md")
    with pytest.raises(InputError, match=re.escape(said)):
        polymer_of(text.replace(line, f"{line.split(' = ')[0]} = 1e12", 1))


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
