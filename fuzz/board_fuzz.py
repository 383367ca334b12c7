"""Coverage-guided fuzzing of the parser of text boards. Needs `pip install atheris` (Linux, macOS).

    PYTHONPATH=.:tests python fuzz/board_fuzz.py [-max_total_time=60] [other libFuzzer options]

What it learns goes to a temporary folder; fuzz/board_corpus holds the seeds, and is read only. The first byte of an
input says at how many places it is cut, the rest is what the board sends. `tests/board_lines.py` judges.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["logger.board", "logger.board_order", "logger.board_format"]):
    pass

from board_lines import judge_input

CORPUS = Path(__file__).with_name("board_corpus")


def main() -> None:
    """Fuzz until told to stop or until something is found."""
    with tempfile.TemporaryDirectory() as found:
        atheris.Setup([sys.argv[0], *sys.argv[1:], "-max_len=2048", found, str(CORPUS)], judge_input)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
