"""The parser of text boards under torture. The line format is docs/board-protocol.md, read here byte for byte."""

from __future__ import annotations

import random
import re
from binascii import crc_hqx
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from board_lines import (
    BANNER,
    BANNER_LINE,
    CHANNELS,
    TAG,
    bitwise_crc,
    corrupted,
    data_line,
    faults,
    frames,
    hand_made,
    judge,
    judge_input,
    kinds,
    signed,
    stream,
    values,
)
from logger.board import Banner, BoardParser, Channel, encode_banner, encode_button, encode_data, tag_of
from logger.board_format import ASK, LONGEST_LINE, checksum
from logger.reading import Fault, FaultKind, Frame, State, Value

DOCUMENT = (Path(__file__).parent.parent / "docs" / "board-protocol.md").read_text("utf-8")


def block(language: str) -> str:
    found = re.search(rf"```{language}\n(.*?)```", DOCUMENT, re.DOTALL)
    assert found, f"the document has no {language} block"
    return found[1]


def fed(*parts: bytes) -> list[Frame | Banner | Fault]:
    """What a parser that knows the banner makes of these bytes."""
    parser = BoardParser()
    parser.feed(BANNER_LINE)
    return [what for part in parts for what in parser.feed(part)]


# The format


def test_checksum_has_the_check_value_of_its_definition() -> None:
    # CRC-16/CCITT-FALSE over "123456789": 0x29B1 (catalogue of parametrised CRC algorithms).
    assert checksum(b"123456789") == b"29B1"
    assert bitwise_crc(b"123456789") == 0x29B1
    assert "`29B1`" in DOCUMENT


@given(st.binary(max_size=600))
def test_checksum_agrees_with_its_definition(data: bytes) -> None:
    assert crc_hqx(data, 0xFFFF) == bitwise_crc(data)


def test_document_example_is_read_as_it_says() -> None:
    out = BoardParser().feed(block("board").encode("ascii"))
    assert out == [
        Banner(
            "oven_board",
            (
                Channel("air_upper", "C"),
                Channel("air_lower", "C"),
                Channel("tc_1", "uV", "K"),
                Channel("drop", "mm"),
            ),
        ),
        Frame(0, 1500, (
            Value("air_upper", "C", 181.25), Value("air_lower", "C", 180.5),
            Value("tc_1", "uV", 6539.3, State.OK, 25.0), Value("drop", "mm", 0.0),
        )),
        Frame(1, 1700, (
            Value("air_upper", "C", 181.305), Value("air_lower", "C", None, State.OPEN),
            Value("tc_1", "uV", 6541.078, State.OK, 25.016), Value("drop", "mm", 0.0),
        )),
        Frame(2, 1764, (), "mark"),
        Frame(3, 1900, (
            Value("air_upper", "C", 181.297), Value("air_lower", "C", -40.0),
            Value("tc_1", "uV", None, State.OUT_OF_RANGE), Value("drop", "mm", 12.5),
        )),
    ]  # fmt: skip


def test_document_example_is_written_the_same() -> None:
    banner, *found = BoardParser().feed(block("board").encode("ascii"))
    assert isinstance(banner, Banner)
    written = encode_banner(banner.board, banner.channels)
    tag = tag_of(written)
    for frame in found:
        assert isinstance(frame, Frame)
        assert frame.sequence is not None
        assert frame.source_ms is not None
        stamp = frame.sequence, frame.source_ms
        written += encode_button(*stamp, frame.button) if frame.button else encode_data(*stamp, tag, frame.values)
    assert written.decode("ascii") == block("board")


def test_document_checksum_recipe_runs() -> None:
    names: dict[str, object] = {"line": b"123456789"}
    exec(block("python"), names)
    assert names["checksum"] == "29B1"


def test_document_question() -> None:
    assert bytes.fromhex(block("ask")) == ASK == b"?\n"


@given(
    st.lists(st.one_of(st.none(), st.floats(-270.0, 2500.0)), min_size=1, max_size=12),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**32 - 1),
)
def test_written_values_are_read_to_the_bit(numbers: list[float | None], sequence: int, ms: int) -> None:
    channels = [Channel(f"c{i}", "C") for i in range(len(numbers))]
    sent = tuple(
        Value(c.name, "C", x, State.OPEN if x is None else State.OK) for c, x in zip(channels, numbers, strict=True)
    )
    banner = encode_banner("b", channels)
    out = BoardParser().feed(banner + encode_data(sequence, ms, tag_of(banner), sent))
    assert out[1:] == [Frame(sequence, ms, sent)]


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf")])
def test_no_such_number_is_written(number: float) -> None:
    with pytest.raises(ValueError, match=f"a = {number}: expected a finite number"):
        encode_data(0, 0, TAG, [Value("a", "C", number)])


def test_what_the_format_cannot_hold_is_not_written() -> None:
    with pytest.raises(ValueError, match=r"'a b:C': expected NAME:C"):
        encode_banner("x", [("a b", "C", "")])
    with pytest.raises(ValueError, match=r"'a:uV': expected NAME:C"):
        encode_banner("x", [("a", "uV", "")])
    with pytest.raises(ValueError, match="each name once"):
        encode_banner("x", [("a", "C", ""), ("a", "mm", "")])
    with pytest.raises(ValueError, match="board name 'x y'"):
        encode_banner("x y", CHANNELS)
    with pytest.raises(ValueError, match="expected at most 512"):
        encode_banner("x", [(f"channel_number_{i}", "C", "") for i in range(40)])
    with pytest.raises(ValueError, match="without a cold junction"):
        encode_data(0, 0, TAG, [Value("a", "uV", 1.0)])
    with pytest.raises(ValueError, match="sequence 4294967296"):
        encode_data(2**32, 0, TAG, [Value("a", "C", 1.0)])
    with pytest.raises(ValueError, match="button 'a b'"):
        encode_button(0, 0, "a b")


# However the bytes are cut up


def test_whole() -> None:
    out = BoardParser().feed(stream(10))
    assert out[0] == BANNER
    assert [frame.sequence for frame in frames(out)] == list(range(10))
    assert [frame.button for frame in frames(out)] == ["", "", "", "", "mark"] * 2
    assert frames(out)[3] == Frame(3, 300, values(3))
    assert faults(out) == []


@pytest.mark.parametrize("size", [1, 2, 7, 64, 100])
def test_cut_into_pieces(size: int) -> None:
    data, parser = stream(10), BoardParser()
    out = [what for i in range(0, len(data), size) for what in parser.feed(data[i : i + size])]
    assert out == BoardParser().feed(data)


def test_cut_anywhere_in_two() -> None:
    data = stream(3)
    whole = BoardParser().feed(data)
    for cut in range(len(data)):
        parser = BoardParser()
        assert parser.feed(data[:cut]) + parser.feed(data[cut:]) == whole


def test_cr_lf_and_empty_lines() -> None:
    assert BoardParser().feed(stream(5).replace(b"\n", b"\r\n\r\n\n")) == BoardParser().feed(stream(5))


def test_two_lines_run_together_are_both_dropped_and_seen() -> None:
    out = fed(data_line(0), data_line(1).rstrip(b"\n") + data_line(2), data_line(3))
    assert [frame.sequence for frame in frames(out)] == [0, 3]
    assert kinds(out) == [FaultKind.CHECKSUM, FaultKind.GAP]
    assert faults(out)[1].missing == 2


@pytest.mark.parametrize(
    ("damage", "kind"),
    [
        (b"\x00\xfe\x81 noise\n", FaultKind.GARBAGE),
        (b"Hello, this is another program\n", FaultKind.GARBAGE),
        (data_line(1)[:-8] + b"\n", FaultKind.SHORT_LINE),
        (data_line(1)[9:], FaultKind.SHORT_LINE),
        (data_line(1).replace(b"0.125", b"0.126"), FaultKind.CHECKSUM),
        (data_line(1)[:-5] + data_line(1)[-5:].lower().replace(b"\n", b"x\n"), FaultKind.SHORT_LINE),
        (b"board 1 x a:C 0000\n", FaultKind.CHECKSUM),
        (b"x" * 600 + b"\n", FaultKind.GARBAGE),
        (b"\xff" * 5000 + b"\n", FaultKind.GARBAGE),
    ],
)
def test_damage_between_good_lines(damage: bytes, kind: FaultKind) -> None:
    out = fed(data_line(0), damage, data_line(1))
    assert [frame.sequence for frame in frames(out)] == [0, 1]
    assert kinds(out) == [kind]
    assert damage.startswith(faults(out)[0].raw)
    assert faults(out)[0].raw


def test_lower_case_checksum_is_refused() -> None:
    number = next(n for n in range(100) if data_line(n)[-5:].lower() != data_line(n)[-5:])
    line = data_line(number)
    assert kinds(fed(line[:-5] + line[-5:].lower())) == [FaultKind.SHORT_LINE]


def test_overlong_line_is_told_once_and_keeps_no_memory() -> None:
    parser = BoardParser()
    out = [what for _ in range(1000) for what in parser.feed(b"1234567" * 100)]
    assert kinds(out) == [FaultKind.GARBAGE]
    assert len(faults(out)[0].raw) == LONGEST_LINE
    assert parser._part == b""
    assert parser.feed(b"tail\n" + BANNER_LINE) == [BANNER]


def test_numbers_of_few_lines_are_kept() -> None:
    parser = BoardParser()
    parser.feed(stream(1000))
    assert list(parser._order._recent) == list(range(936, 1000))


def test_longest_line_is_read() -> None:
    body = signed(b"d 0 0 C5FA " + b"1" * (LONGEST_LINE - 17))
    assert len(body) == LONGEST_LINE
    assert kinds(BoardParser().feed(body)) == [FaultKind.NO_BANNER]
    assert kinds(BoardParser().feed(b" " + body)) == [FaultKind.GARBAGE]


def test_wrong_baud_gives_no_frame() -> None:
    noise = random.Random(1).randbytes(100_000)
    out = fed(noise)
    assert frames(out) == []
    assert set(kinds(out)) <= {FaultKind.GARBAGE, FaultKind.SHORT_LINE}


# Which banner the values go with

#: The same program with two wires changed over: as many channels, of the same units, in another order.
STRAIGHT, CROSSED = ([Channel(name, "C") for name in names] for names in (("air_upper", "core"), ("core", "air_upper")))
DAMAGES = {
    "a digit": lambda line: line.replace(b":C", b":D", 1),
    "no end": lambda line: line[:20] + b"\n",
    "no beginning": lambda line: line[9:],
    "noise": lambda line: b"\xff\x00" + line,
    "run into a line before": lambda line: b"d 7 70 18" + line,
    "lost": lambda line: b"",
}


def two_values(sequence: int, ms: int, banner: bytes) -> bytes:
    """A line whose first value is 180 °C, which is the air's for one wiring and the core's for the other."""
    return encode_data(sequence, ms, tag_of(banner), [Value("", "C", 180.0), Value("", "C", 120.0)])


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES.keys())
@pytest.mark.parametrize(
    ("before", "after"),
    [
        (((50, 5000),), (51, 5100)),  # no restart at all
        (((3, 900),), (9, 2000)),  # a restart whose first lines got lost looks as a gap does
        (((5000, 500_000),), (0, 1500)),
    ],
    ids=["no restart", "as a gap", "restart"],
)
@pytest.mark.parametrize("repeated", [False, True], ids=["", "old banner just repeated"])
def test_values_never_get_the_names_of_another_banner(
    damage: Callable[[bytes], bytes], before: list[tuple[int, int]], after: tuple[int, int], repeated: bool
) -> None:
    old, new = encode_banner("oven", STRAIGHT), encode_banner("oven", CROSSED)
    parser = BoardParser()
    parser.feed(old + b"".join(two_values(*stamp, old) for stamp in before) + old * repeated)
    out = parser.feed(damage(new) + two_values(*after, new))
    assert frames(out) == []
    assert kinds(out)[-1] is FaultKind.NO_BANNER
    assert "another banner" in faults(out)[-1].text
    assert parser.banner is None, "so that the source asks"
    (frame,) = frames(parser.feed(new + two_values(after[0] + 1, after[1] + 100, new)))
    assert frame.values == (Value("core", "C", 180.0), Value("air_upper", "C", 120.0))


def test_a_damaged_banner_does_not_take_the_names_from_lines_that_still_carry_its_tag() -> None:
    out = fed(data_line(0), BANNER_LINE.replace(b":C", b":D"), data_line(1))
    assert kinds(out) == [FaultKind.CHECKSUM]
    assert [frame.sequence for frame in frames(out)] == [0, 1]


def test_tag_is_the_checksum_of_the_banner() -> None:
    assert tag_of(BANNER_LINE) == f"{bitwise_crc(BANNER_LINE[:-6]):04X}" == "C5FA"
    with pytest.raises(ValueError, match="tag 'c5fa': expected the banner's checksum"):
        encode_data(0, 0, "c5fa", values(0))


# What is not announced, and what is no number


def test_values_before_any_banner_get_no_names() -> None:
    parser = BoardParser()
    out = parser.feed(data_line(0) + data_line(1))
    assert kinds(out) == [FaultKind.NO_BANNER] * 2
    assert frames(out) == []
    assert [frame.sequence for frame in frames(parser.feed(BANNER_LINE + data_line(2)))] == [2]


def test_a_button_needs_no_banner() -> None:
    assert BoardParser().feed(encode_button(7, 8, "mark")) == [Frame(7, 8, (), "mark")]


def test_wrong_count_is_dropped_and_the_channels_are_forgotten() -> None:
    out = fed(hand_made(0, 0, b"1.0 2.0/3.0"), data_line(1), BANNER_LINE, data_line(2))
    assert kinds(out) == [FaultKind.WRONG_COUNT, FaultKind.NO_BANNER]
    assert [frame.sequence for frame in frames(out)] == [2]
    assert "2 values where the board announced 3 channels" in faults(out)[0].text


def test_banner_changes_in_mid_stream() -> None:
    other = encode_banner("test-board", [Channel("core", "C")])
    out = fed(data_line(0), other, encode_data(1, 100, tag_of(other), [Value("core", "C", 99.5)]))
    assert out[1] == Banner("test-board", (Channel("core", "C"),))
    assert out[2] == Frame(1, 100, (Value("core", "C", 99.5),))


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"board 2 x a:C", "version '2'"),
        (b"board 1 x", "lacks a name or channels"),
        (b"board 1 x a:F", "channel 'a:F'"),
        (b"board 1 x a:uV", "channel 'a:uV'"),
        (b"board 1 x a:uV:Z", "channel 'a:uV:Z'"),
        (b"board 1 x a:C a:mm", "names a channel twice"),
        (b"board 1 x a:C  b:C", "channel ''"),
        (b"board 1 \xff a:C", "lacks a name"),
    ],
)
def test_a_banner_that_cannot_be_used_leaves_no_old_names(body: bytes, says: str) -> None:
    out = fed(data_line(0), signed(body), data_line(1))
    assert kinds(out) == [FaultKind.GARBAGE, FaultKind.NO_BANNER]
    assert says in faults(out)[0].text
    assert [frame.sequence for frame in frames(out)] == [0]


@pytest.mark.parametrize(
    "body",
    [
        b"d", b"d ", b"d 1", b"d 1 2", b"d -1 2 C5FA 1 2/3 4", b"d 1 4294967296 C5FA 1 2/3 4", b"d 01 2 C5FA 1 2/3 4",
        b"d 1_0 2 C5FA 1 2/3 4", b"d 1 2.5 C5FA 1 2/3 4", b"d 1 2 C5FA", b"d 1 2 1 2/3 4", b"d 1 2 c5fa 1 2/3 4",
        b"d 1 2 C5FA0 1 2/3 4", b"b 1 2", b"b 1 2 a b", b"b 1 2 \xe9", b"x 1 2 3", b"", b" ",
    ],
)  # fmt: skip
def test_lines_outside_the_format_are_told(body: bytes) -> None:
    out = fed(signed(body))
    assert frames(out) == []
    assert kinds(out) == [FaultKind.GARBAGE]


@pytest.mark.parametrize(
    ("word", "state"),
    [
        (b"!open", State.OPEN), (b"!short", State.SHORT), (b"!range", State.OUT_OF_RANGE), (b"!fault", State.FAULT),
        (b"nan", State.FAULT), (b"-NaN", State.FAULT), (b"inf", State.FAULT), (b"-infinity", State.FAULT),
        (b"!melted", State.FAULT),
        (b"1e999", State.OUT_OF_RANGE), (b"-1e999", State.OUT_OF_RANGE), (b"99999999999", State.OUT_OF_RANGE),
        (b"-273.16", State.OUT_OF_RANGE), (b"2500.1", State.OUT_OF_RANGE),
    ],
)  # fmt: skip
def test_no_number_is_invented(word: bytes, state: State) -> None:
    out = fed(hand_made(0, 0, word + b" 1.0/2.0 3.0"))
    assert [frame.values[0] for frame in frames(out)] == [Value("air_upper", "C", None, state)]
    assert frames(out)[0].values[2] == Value("drop", "mm", 3.0)
    told = state is State.FAULT and word != b"!fault"
    assert kinds(out) == [FaultKind.GARBAGE] * told


@pytest.mark.parametrize(
    ("word", "state"),
    [
        (b"1/nan", State.FAULT), (b"nan/25", State.FAULT), (b"nan/nan", State.FAULT), (b"1e6/25", State.OUT_OF_RANGE),
        (b"1/200", State.FAULT), (b"1/-61", State.FAULT), (b"!open", State.OPEN),
    ],
)  # fmt: skip
def test_microvolts_count_only_with_their_cold_junction(word: bytes, state: State) -> None:
    assert frames(fed(hand_made(0, 0, b"1 " + word + b" 3.0")))[0].values[1] == Value("tc_1", "uV", None, state)


@pytest.mark.parametrize(
    "words",
    [b" 1/2 3", b"1_0 1/2 3", b"0x10 1/2 3", b"1,5 1/2 3", b"1/2 1/2 3", b"1-2 1/2 3", b"e 1/2 3", b"\xb2 1/2 3",
     b"1 1.0 3", b"1 1.0/ 3", b"1 /25 3", b"1 1/2/3 3", b"1 x/nan 3", b"1 1/2 31A06.0"],
)  # fmt: skip
def test_a_line_with_a_word_that_no_board_sends_is_dropped_whole(words: bytes) -> None:
    """Such a line is damage that the checksum missed sooner than a fault of one channel; its counters are not used."""
    out = fed(data_line(0), hand_made(77, 7, words), data_line(1))
    assert [frame.sequence for frame in frames(out)] == [0, 1]
    assert kinds(out) == [FaultKind.GARBAGE]
    assert "is no value" in faults(out)[0].text


# Counters


def numbered(*lines: tuple[int, int]) -> list[Frame | Banner | Fault]:
    return fed(*[data_line(sequence, ms) for sequence, ms in lines])


def test_gap_says_how_many() -> None:
    out = numbered((5, 500), (9, 900))
    assert [frame.sequence for frame in frames(out)] == [5, 9]
    assert (faults(out)[0].kind, faults(out)[0].missing) == (FaultKind.GAP, 3)
    assert faults(out)[0].text.startswith("3 lines are missing between 5 and 9")
    assert faults(numbered((5, 500), (7, 700)))[0].text.startswith("1 line is missing")


def test_wrap_of_both_counters_is_no_event() -> None:
    top = 2**32 - 1
    out = numbered((top - 1, top - 150), (top, top - 50), (0, 50), (1, 150))
    assert [frame.sequence for frame in frames(out)] == [top - 1, top, 0, 1]
    assert kinds(out) == []


def test_gap_over_the_wrap() -> None:
    out = numbered((2**32 - 3, 2**32 - 300), (2, 200))
    assert (kinds(out), faults(out)[0].missing) == ([FaultKind.GAP], 4)


def test_duplicate_is_given_once() -> None:
    out = numbered((1, 100), (2, 200), (2, 200), (1, 100), (3, 300))
    assert [frame.sequence for frame in frames(out)] == [1, 2, 3]
    assert kinds(out) == [FaultKind.DUPLICATE] * 2


def test_late_line_is_given_with_a_remark() -> None:
    out = numbered((1, 100), (3, 300), (2, 200), (2, 200), (4, 400))
    assert [frame.sequence for frame in frames(out)] == [1, 3, 2, 4]
    assert kinds(out) == [FaultKind.GAP, FaultKind.ORDER, FaultKind.DUPLICATE]


def test_late_line_over_the_wrap() -> None:
    out = numbered((2**32 - 2, 2**32 - 200), (0, 50), (2**32 - 1, 2**32 - 75))
    assert kinds(out) == [FaultKind.GAP, FaultKind.ORDER]


def test_same_number_with_other_values_is_told() -> None:
    out = numbered((1, 100), (1, 200))
    assert kinds(out) == [FaultKind.ORDER]
    assert "Two different lines have the number 1" in faults(out)[0].text


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ((5000, 500_000), (0, 12)),
        ((5000, 500_000), (3, 312)),
        ((0, 5000), (0, 12)),
        ((2, 5000), (3, 12)),  # the number goes on by chance, the clock tells
        ((2, 5000), (40, 300)),
        ((2**31 + 9, 2**31 + 9), (0, 12)),
        ((2**32 - 3, 2**30), (0, 12)),
        ((10, 1000), (1_000_000, 1100)),  # a million lines in 0.1 s are no gap
    ],
)
def test_restart(before: tuple[int, int], after: tuple[int, int]) -> None:
    parser = BoardParser()
    parser.feed(BANNER_LINE + data_line(*before))
    out = parser.feed(BANNER_LINE + data_line(*after) + data_line(after[0] + 1, after[1] + 100))
    assert out[0] == BANNER
    assert kinds(out) == [FaultKind.RESTART]
    assert [frame.sequence for frame in frames(out)] == [after[0], after[0] + 1]


def test_restart_whose_first_lines_got_lost_is_not_taken_for_late_lines() -> None:
    parser = BoardParser()
    parser.feed(BANNER_LINE + b"".join(data_line(n, 100 * n + 2000) for n in range(10)))
    assert kinds(parser.feed(BANNER_LINE + data_line(4, 400))) == [FaultKind.RESTART]


@pytest.mark.parametrize("ms", [320, 5050, 5900])
def test_an_earlier_number_in_a_hole_but_of_another_time_is_no_late_line(ms: int) -> None:
    """The third line after a restart, whose first two got lost, has a number that is missing, but not its time."""
    out = numbered((0, 5000), (1, 5100), (3, 5300), (4, 5400), (2, ms))
    assert kinds(out) == [FaultKind.GAP, FaultKind.RESTART]


def test_a_number_before_all_that_are_known_is_no_late_line() -> None:
    assert kinds(numbered((5, 5500), (6, 5600), (3, 320))) == [FaultKind.RESTART]


def test_restart_of_the_same_program_goes_on_at_once() -> None:
    out = numbered((5000, 500_000), (0, 12))
    assert kinds(out) == [FaultKind.RESTART]
    assert [frame.sequence for frame in frames(out)] == [5000, 0]


# Connection


def test_cut_connection_drops_half_a_line_and_says_so() -> None:
    parser = BoardParser()
    parser.feed(BANNER_LINE + data_line(0) + data_line(1)[:9])
    fault = parser.disconnected()
    assert fault is not None
    assert (fault.kind, fault.raw) == (FaultKind.SHORT_LINE, data_line(1)[:9])
    assert parser.banner is None
    assert parser.disconnected() is None
    out = parser.feed(data_line(1)[9:] + BANNER_LINE + data_line(4))
    assert kinds(out) == [FaultKind.SHORT_LINE, FaultKind.GAP]
    assert "began within a line" in faults(out)[0].text
    assert faults(out)[1].missing == 3


# Fuzz


LINES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([BANNER_LINE, b"\n", b"\r\n", b"?\n", b"x" * 511, stream(12)]),
    st.binary(max_size=30).map(lambda body: hand_made(1, 2, body)),
    st.text("0123456789.-+e/! dbnaf", max_size=30).map(lambda text: signed(b"d " + text.encode())),
    st.builds(data_line, st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1)),
    st.builds(lambda n, seed: corrupted(data_line(n), random.Random(seed)), st.integers(0, 99), st.integers(0, 9999)),
)


@given(st.binary(max_size=2000), st.lists(st.integers(0, 2000), max_size=8))
def test_any_bytes(data: bytes, cuts: list[int]) -> None:
    judge(data, cuts)


@given(st.lists(LINES, max_size=12), st.lists(st.integers(0, 3000), max_size=8))
def test_lines_and_damage_in_any_mixture(parts: list[bytes], cuts: list[int]) -> None:
    judge(b"".join(parts), cuts)


def test_what_the_fuzzer_found_before() -> None:
    corpus = sorted((Path(__file__).parent.parent / "fuzz" / "board_corpus").iterdir())
    assert len(corpus) == 67
    for path in corpus:
        judge_input(path.read_bytes())


def test_no_corrupted_line_is_believed() -> None:
    # A checksum of 16 bits lets one in 65,536 random damages pass; 2000 draws with this seed hold none.
    # fuzz/board_corruptions.py draws 100,000.
    draw = random.Random(2026)
    for n in range(2000):
        out = fed(corrupted(data_line(n), draw))
        assert frames(out) == [], data_line(n)
