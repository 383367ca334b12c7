"""100,000 random corruptions of a board's lines, and how many of them the parser believes.

    PYTHONPATH=.:tests python fuzz/board_corruptions.py [COUNT] [SEED]

Beside it, how many a reader without a checksum would take for a line of values: what the checksum is for. A checksum
of 16 bits lets one random damage in 65,536 pass, but finds each that lies within 16 neighbouring bits. So of the
17,000 in 100,000 that look right, 0.3 are to be expected: most seeds give none, a few one.
"""

from __future__ import annotations

import random
import re
import sys

from board_lines import BANNER_LINE, corrupted, data_line, frames, stream
from logger.board import BoardParser

_NUMBER = rb"-?[0-9]+(\.[0-9]+)?"
_LOOKS_RIGHT = re.compile(rb"d [0-9]+ [0-9]+ [0-9A-F]{4} %b %b/%b (%b|!open) [0-9A-F]{4}\r?\n?" % ((_NUMBER,) * 4))


def main(count: int = 100_000, seed: int = 1) -> int:
    """Draw, count and print; 1 when a corrupted line was believed."""
    draw, believed, plausible = random.Random(seed), 0, 0
    assert len(frames(BoardParser().feed(stream(5)))) == 5, "good lines are not even read"
    for n in range(count):
        line = corrupted(data_line(n % 100_000), draw)
        parser = BoardParser()
        parser.feed(BANNER_LINE)
        believed += bool(frames(parser.feed(line)))
        plausible += bool(_LOOKS_RIGHT.fullmatch(line))
    print(f"{count} corrupted lines (seed {seed}): {believed} believed; {plausible} look right without a checksum")
    return min(believed, 1)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
