"""Words in letters of blocks, to be read across a room, each beside a shape of its own.

A letter is five by five dots; drawn at two characters a dot it is some 25 mm high on a usual terminal, which is read
at three metres (letters of a 200th of the distance are legible: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

#: Letters as rows of dots.
_LETTERS: Mapping[str, str] = {
    "A": ".###. #...# ##### #...# #...#",
    "C": ".#### #.... #.... #.... .####",
    "D": "####. #...# #...# #...# ####.",
    "E": "##### #.... ####. #.... #####",
    "F": "##### #.... ####. #.... #....",
    "G": ".#### #.... #..## #...# .####",
    "H": "#...# #...# ##### #...# #...#",
    "I": "### .#. .#. .#. ###",
    "L": "#.... #.... #.... #.... #####",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#...# ##..# #.#.# #..## #...#",
    "O": ".###. #...# #...# #...# .###.",
    "P": "####. #...# ####. #.... #....",
    "R": "####. #...# ####. #..#. #...#",
    "S": ".#### #.... .###. ....# ####.",
    "T": "##### ..#.. ..#.. ..#.. ..#..",
    "U": "#...# #...# #...# #...# .###.",
    "V": "#...# #...# #...# .#.#. ..#..",
    "W": "#...# #...# #.#.# ##.## #...#",
    "Y": "#...# .#.#. ..#.. ..#.. ..#..",
    "0": ".##. #..# #..# #..# .##.",
    "1": ".#. ##. .#. .#. ###",
    "2": "###. ...# .##. #... ####",
    "3": "###. ...# .##. ...# ###.",
    "4": "#..# #..# #### ...# ...#",
    "5": "#### #... ###. ...# ###.",
    "6": ".##. #... ###. #..# .##.",
    "7": "#### ...# ..#. .#.. .#..",
    "8": ".##. #..# .##. #..# .##.",
    "9": ".##. #..# .### ...# .##.",
    ":": ". # . # .",
}
#: A shape for each word; told apart without colour.
_SHAPES: Mapping[str, str] = {
    "heating": "....... ..#.#.. ...#.#. ..#.#.. .#.#... ..#.#.. .......",  # warm air that rises
    "getting close": "...#... ..#.#.. .#...#. #.....# .#...#. ..#.#.. ...#...",  # a hollow diamond
    "pull now": "..###.. ..###.. ..###.. ####### .#####. ..###.. ...#...",  # an arrow out
    "last chance": "####### #.....# .#...#. ..#.#.. .#.#.#. #.###.# #######",  # a glass that runs out
    "too late": "##...## .##.##. ..###.. ...#... ..###.. .##.##. ##...##",  # a cross
    "cannot tell": ".#####. ##...## .....## ...###. ...#... ....... ...#...",  # a question mark
    "carry": "....#.. ....##. ####### ####### ####### ....##. ....#..",  # an arrow along
    "too cold": "#..#..# .#.#.#. ..###.. ####### ..###.. .#.#.#. #..#..#",  # ice
    "on the mold": ".....## ....##. ....##. #..##.. ##.##.. .###... ..#....",  # a tick
    "waiting": "####### #.....# #.....# #.....# #.....# #.....# #######",  # an empty frame
}
_FULL, _PLAIN = "█", "#"
_GAP = 4


def block_word(word: str, width: int, encoding: str = "utf-8", below: str = "") -> list[str]:
    """Lines of a word with its shape beside it (above where it is narrow), no wider than `width`; its words below one
    another.

    Args:
        word: of `_SHAPES`; small letters. encoding: of the output: without block characters '#' is taken.
        below: a time to stand below it, of digits and colons.

    Where even single dots find no room it is the word in capitals.
    """
    ink = _FULL if _shows(encoding) else _PLAIN
    parts = word.upper().replace("ON THE", "ON").split() + below.split()
    shape = _SHAPES[word].split()
    for wide in (2, 1):
        letters = [line for part in parts for line in (*_letters(part, ink * wide, " " * wide), "")][:-1]
        drawn = [row.replace("#", ink * wide).replace(".", " " * wide) for row in shape]
        lines = _beside(drawn, letters)
        if max(map(len, lines)) <= width:
            return lines
        if wide == 1 and max(map(len, letters)) <= width:
            return [*(row.rstrip() for row in drawn), "", *letters]
    return [f"{word.upper()} {below}".strip()]


def _shows(encoding: str) -> bool:
    try:
        _FULL.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _letters(word: str, ink: str, paper: str) -> list[str]:
    rows = [_LETTERS[letter].split() for letter in word]
    return [
        paper.join(letter[row].replace("#", ink).replace(".", paper) for letter in rows).rstrip() for row in range(5)
    ]


def _beside(shape: Sequence[str], letters: Sequence[str]) -> list[str]:
    """The shape left of the letters, the smaller in the middle of the taller."""
    height, across = max(len(shape), len(letters)), max(map(len, shape)) + _GAP

    def middle(lines: Sequence[str]) -> list[str]:
        above = (height - len(lines)) // 2
        return [""] * above + list(lines) + [""] * (height - len(lines) - above)

    return [f"{left:<{across}}{right}".rstrip() for left, right in zip(middle(shape), middle(letters), strict=True)]
