"""The plot in characters: points land where the axes say, gaps stay gaps, and any output can show it."""

from __future__ import annotations

import math

import pytest

from dashboard.commands.termplot import plot

RAMP = [0.0, 25.0, 50.0, 75.0, 100.0]


def area(picture: str, frame: str = "|+") -> list[str]:
    """What stands right of the y axis, top line first."""
    rows = [line for line in picture.splitlines() if not line.lstrip().startswith("++")]
    return [line[min(i for i in map(line.find, frame) if i >= 0) + 1 :] for line in rows if set(line) & set(frame)]


def test_a_rising_line_runs_from_corner_to_corner() -> None:
    rows = area(plot([("", RAMP, RAMP)], width=40, height=10, encoding="ascii"))
    columns = [row.index("*") for row in rows]
    assert len(rows) == 10
    assert columns == sorted(columns, reverse=True)
    assert (rows[-1][0], rows[0][-1]) == ("*", "*")


def test_braille_dots_of_a_falling_line_stand_in_opposite_corners() -> None:
    rows = area(plot([("", RAMP, RAMP[::-1])], width=40, height=10, encoding="utf-8"), "│┤")
    # Unicode, braille patterns: dot 1 (upper left) is bit 0x01, dot 8 (lower right) is bit 0x80.
    assert (ord(rows[0][0]) - 0x2800) & 0x01
    assert (ord(rows[9][-1]) - 0x2800) & 0x80
    assert rows[9][0] == " "


def test_every_dot_of_a_solid_line_is_set() -> None:
    picture = plot([("", [0.0, 1.0], [3.0, 3.0])], width=40, height=4, encoding="utf-8")
    row = next(row for row in area(picture, "│┤") if row)
    assert sum((ord(character) - 0x2800).bit_count() for character in row) == 2 * len(row)


def test_axis_numbers_are_round_and_enclose_the_data() -> None:
    picture = plot([("", [0.0, 1800.0], [22.0, 187.0])], encoding="ascii", x_label="time (s)", y_label="°C")
    numbers = [
        float(line.split("+")[0]) for line in picture.splitlines() if line.lstrip()[:1].isdigit() and "+" in line
    ]
    assert numbers == [200.0, 150.0, 100.0, 50.0, 0.0]
    assert picture.splitlines()[0] == "°C"
    assert "time (s)" in picture
    assert "1500" in picture


@pytest.mark.parametrize("gap", [math.nan, math.inf])
def test_a_gap_is_not_bridged(gap: float) -> None:
    xs = [float(i) for i in range(11)]
    whole = plot([("", xs, [1.0] * 11)], encoding="ascii")
    broken = plot([("", xs, [1.0] * 4 + [gap] * 3 + [1.0] * 4)], encoding="ascii")
    longest = max(area(broken), key=len)
    assert "*" * 10 in whole
    assert longest.strip("*").isspace()
    assert broken.count("*") == pytest.approx(0.6 * whole.count("*"), abs=3)


def test_lines_differ_without_colour() -> None:
    pictures = {
        encoding: plot(
            [(name, RAMP, [value] * 5) for name, value in zip("abcd", RAMP, strict=False)], encoding=encoding
        )
        for encoding in ("utf-8", "ascii")
    }
    for picture in pictures.values():
        keys = [word for word in picture.splitlines()[-1].split() if word not in "abcd"]
        assert len(set(keys)) == 4
        assert "\x1b" not in picture
    dots = {
        sum(map(int.bit_count, (ord(c) - 0x2800 for c in row if c >= "⠀"))) for row in pictures["utf-8"].splitlines()
    }
    assert len(dots - {0}) == 4


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437", "no-such-encoding"])
def test_output_without_braille_gets_plain_letters(encoding: str) -> None:
    assert plot([("core", RAMP, RAMP)], encoding=encoding, marks=[(50.0, "opens")]).isascii()


def test_marks_stand_at_their_place_and_not_outside() -> None:
    picture = plot(
        [("", [0.0, 100.0], [0.0, 1.0])],
        width=60,
        encoding="ascii",
        marks=[(50.0, "opens"), (52.0, "pull"), (250.0, "never")],
    )
    lines = picture.splitlines()
    stroke = lines[-3].index(":")
    assert lines[0].index("opens") == stroke
    assert lines[1].index("pull") in (stroke + 1, stroke + 2)
    assert "never" not in picture


def test_no_line_is_wider_than_asked() -> None:
    picture = plot([("core", RAMP, RAMP)], width=50, x_label="time (s)", marks=[(100.0, "closes")], encoding="utf-8")
    assert max(map(len, picture.splitlines())) <= 50


@pytest.mark.parametrize(
    ("xs", "ys", "options", "message"),
    [
        ([], [], {}, "no finite point in"),
        ([0.0, 1.0], [math.nan, math.nan], {}, "no finite point in"),
        ([0.0, 1.0], [1.0], {}, "zip"),
        ([0.0, 1.0], [0.0, 1.0], {"width": 20}, "20 x 16"),
        ([0.0, 1.0], [0.0, 1.0], {"height": 2}, "72 x 2"),
    ],
)
def test_what_cannot_be_drawn_is_refused(
    xs: list[float], ys: list[float], options: dict[str, int], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        plot([("core", xs, ys)], **options)  # type: ignore[arg-type]
