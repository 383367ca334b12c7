"""`pullcue review` and its report, `pullcue heats wall`, and what a hostile heat cannot do to them."""

from __future__ import annotations

import dataclasses
import datetime
import json
import re
import shutil
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from calibration.diagnosis import NOTHING, Finding
from calibration.estimate import Spread
from calibration.reconstruction import _time_above
from command_line import demo_store, ok, refused
from dashboard.commands.review import _words as words_of
from dashboard.failures import FAILURES, KINDS, failure_of
from dashboard.qr import dark_squares
from dashboard.report import Report, report_of
from dashboard.report_html import html_bytes
from dashboard.report_pdf import pdf_bytes
from dashboard.review import Review
from dashboard.review_words import CAUTION, failure_words, headline, percent, title
from dashboard.shop import DEMO_FOLDER, open_shop
from dashboard.stored_card import stored_card
from dashboard.stored_review import review_of as _review_of
from dashboard.units import Units
from dashboard.wall_compare import compared
from logger.heatfile import read_heat
from logger.records import Attachment
from logger.walls import MEDIA_TYPE, Wall, walls_content, walls_of
from thermal.fields import InputError
from thermal.polymer import Dose

DAY = datetime.date(2026, 3, 4)
#: What a hostile file may hold in its texts: a script, an end of a tag, a formula.
SCRIPT, FORMULA = "<script>alert(1)</script>", "=HYPERLINK(1)"


def hostile_file(path: Path) -> Path:
    """A heat with air alone, cold by 25 K, pulled after ten minutes, whose texts are not meant well."""
    head = {
        "polymer": "pp-homopolymer", "gauge_mm": 6.0, "oven": "north", "support": "frame", "start_c": 22.0,
        "set_c": 185.0, "label": f"lot {SCRIPT}", "job_number": FORMULA, "initials": "A</td>B",
        "notes": f"name of a person {SCRIPT}", "outcome": "failed", "outcome_kind": "cold-formed stress and cracking",
        f"odd_{'x' * 30}": SCRIPT,
    }  # fmt: skip
    lines = [f"# {key} = {json.dumps(value)}" for key, value in head.items()]
    lines.append("time_s,air_upper_c,event")
    for t in range(0, 640, 5):
        air = 157.0 - 40.0 * np.exp(-t / 90.0) + 1.2 * np.sin(t / 22.0)
        event = {300: "<img src=x onerror=alert(1)>", 620: "pulled", 635: "on_mold"}.get(t, "")
        lines.append(f"{t},{air:.2f},{event}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A store with the hostile heat, a photo of its label, walls and a correction."""
    folder = tmp_path_factory.mktemp("reviewed")
    url = str(folder / "shop.sqlite")
    ok("import", str(hostile_file(folder / "hostile.csv")), "--store", url)
    Image.effect_noise((90, 60), 50).convert("RGB").save(folder / "label.jpg")
    ok("heats", "photo", "1", str(folder / "label.jpg"), "--store", url)
    ok("heats", "wall", "1", f"distal {SCRIPT}=2.4", "medial@120=3.4", "--by", "AB", "--store", url)
    ok("heats", "correct", "1", "colour", "natural", "--by", "<b>AB", "--why", f"looked {SCRIPT}", "--store", url)
    return url


@pytest.fixture(scope="module")
def reports(store: str, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str, str]:
    """Words, HTML and the text of the PDF."""
    folder = tmp_path_factory.mktemp("reports")
    words = ok("review", "1", "--store", store, "--report", str(folder / "one.html"))
    ok("review", "1", "--store", store, "--report", str(folder / "one.pdf"))
    pages = PdfReader(folder / "one.pdf").pages
    assert 1 <= len(pages) <= 2
    return words, (folder / "one.html").read_text("utf-8"), "\n".join(page.extract_text() for page in pages)


def test_the_words_say_what_happened_and_how_sure_that_is(reports: tuple[str, str, str]) -> None:
    words = reports[0]
    assert words.startswith("heat 1: Oven colder than it showed (over 99 %).")
    for told in ("Core (coldest point)", "Pulled", "10:20", "On the mold", "after 0:15", "Outside the oven, never its",
                 "distal <script>", "2.4 mm; no earlier part to compare with", "Nothing of the sheet was"):  # fmt: skip
        assert told in words
    assert "Goes with it in this heat: Oven colder than it showed" in words
    assert CAUTION in words


def test_the_html_holds_no_script_and_nothing_from_elsewhere(reports: tuple[str, str, str]) -> None:
    page = reports[1]
    assert SCRIPT not in page
    assert "&lt;script&gt;" in page
    assert "<img src=x" not in page
    assert not re.search(r"<(script|iframe|object|link|form|a)\b", page)
    # Addresses: only the photo's own bytes.
    assert set(re.findall(r'(?:src|href)="([a-z]+:)', page)) == {"data:"}
    assert "default-src 'none'" in page


def test_the_pdf_says_what_the_html_says(reports: tuple[str, str, str]) -> None:
    for told in ("Review of heat 1", FORMULA, "lot <script>", "Signature", "Oven colder than it showed", "Corrections",
                 "UTC", "Link in the chain", "film off: not recorded", "2.4 mm", "Pullcue advises"):  # fmt: skip
        assert told in reports[2], told
    assert "name of a person" not in reports[1] + reports[2]


def test_the_pdf_runs_nothing(store: str, tmp_path: Path) -> None:
    ok("review", "1", "--store", store, "--report", str(tmp_path / "one.pdf"))
    content = (tmp_path / "one.pdf").read_bytes()
    assert not re.search(rb"/(JavaScript|JS|AA|Launch|URI|EmbeddedFile)\b", content)
    # A place to open at is a list, an action a dictionary (ISO 32000-1, 7.7.2 and 12.6).
    assert isinstance(PdfReader(BytesIO(content)).root_object.get("/OpenAction", []), list)
    refusal = refused("review", "1", "--store", store, "--report", str(tmp_path / "one.pdf"))
    assert "none is written over" in refusal


def test_json_has_the_ranking_and_the_core_over_the_heat(store: str) -> None:
    told: dict[str, Any] = json.loads(ok("review", "1", "--store", store, "--json"))
    assert told["number"] == 1
    assert re.fullmatch("[0-9a-f]{64}", told["hash"])
    shares = [one["probability"] for one in told["ranking"]]
    assert shares == sorted(shares, reverse=True)
    assert {one["kind"] for one in told["ranking"]} >= {NOTHING, "oven off", "pulled early", "door opened"}
    curve = told["curve"]
    assert len(curve["time_s"]) == len(curve["core_middle_c"]) > 20
    assert told["at_pull"]["core_c"]["low"] <= told["at_pull"]["core_c"]["high"] < 160.0
    assert told["carry"]["carried_s"] == 15.0


def test_refusals_name_what_to_do(store: str, tmp_path: Path) -> None:
    assert "expected a name that ends with .pdf or .html" in refused("review", "1", "--report", "x.txt")
    assert "no such file" in refused("review", str(tmp_path / "none.csv"))
    assert "heat 99" in refused("review", "99", "--store", store)
    short = tmp_path / "short.csv"
    short.write_text(
        '# polymer = "pp-homopolymer"\n# gauge_mm = 6\n# oven = "north"\ntime_s,air_upper_c\n0,150\n9,151\n'
    )
    assert "expected at least 30 s" in refused("review", str(short))
    bare = tmp_path / "bare.csv"
    bare.write_text("time_s,air_upper_c\n0,150\n90,151\n")
    assert "does not state its oven" in refused("review", str(bare))


# ---------------------------------------------------------------- report


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> Review:
    heat = read_heat(hostile_file(tmp_path_factory.mktemp("one") / "heat.csv"))
    shop = open_shop(DEMO_FOLDER)
    return _review_of("heat.csv", heat, shop.oven("north"), None, 22.0, shop)


@pytest.fixture(scope="module")
def report(reviewed: Review) -> Report:
    return dataclasses.replace(report_of(reviewed, Units(), DAY), code="heat 12")


def test_the_same_heat_gives_the_same_bytes_but_for_the_date(report: Report) -> None:
    later = dataclasses.replace(report, printed=datetime.date(2026, 3, 5))
    assert html_bytes(report) == html_bytes(report)
    assert pdf_bytes(report) == pdf_bytes(report)
    assert html_bytes(report).replace(b"2026-03-04", b"2026-03-05") == html_bytes(later)


def test_two_pages_hold_a_report_with_everything(report: Report) -> None:
    picture = BytesIO()
    Image.effect_noise((300, 200), 50).save(picture, "JPEG")
    full = dataclasses.replace(
        report,
        photo=picture.getvalue(),
        findings=report.findings * 6,
        walls=(WALL,) * 14,
        corrections=(CORRECTION,) * 8,
    )
    assert len(PdfReader(BytesIO(pdf_bytes(full))).pages) <= 2


WALL = ("medial", "120 mm", "3.4 mm", "12 earlier parts 3 to 3.9 mm, median 3.5 mm")
CORRECTION = "2026-03-04 08:00 UTC, AB: gauge_mm was 6.0, is 5.0; label read again"


@pytest.mark.parametrize(("paper", "wide", "high"), [("A4", 210.0, 297.0), ("letter", 215.9, 279.4)])
def test_the_signature_stands_with_the_block_before_it(report: Report, paper: str, wide: float, high: float) -> None:
    """However long the report is: never alone on a sheet, and one sheet is enough for a plain heat."""
    plain = dataclasses.replace(report, paper=paper, walls=(), corrections=(), failure=(), notes=())
    for count in (0, 14):
        full = dataclasses.replace(plain, walls=(WALL,) * count, corrections=(CORRECTION,) * (count // 2))
        longer = dataclasses.replace(full, failure=report.failure, notes=report.notes * 3)
        for one in (full, longer):
            pages = PdfReader(BytesIO(pdf_bytes(one))).pages
            assert len(pages) <= (2 if count else 1)
            box = pages[0].mediabox
            assert (float(box.width), float(box.height)) == pytest.approx((wide / 25.4 * 72, high / 25.4 * 72), abs=0.1)
            words = pages[-1].extract_text()
            assert "Signature" in words
            block = "Taken for granted" if one is longer else "Corrections" if count else "What explains it"
            assert block in words


def test_us_units_are_used_throughout(reviewed: Review) -> None:
    page = html_bytes(report_of(reviewed, Units("us"), DAY)).decode()
    assert "°F" in page
    assert " °C" not in page


def with_pull(of: Review, **more: Any) -> Review:
    state = dataclasses.replace(of.diagnosis.at_pull, **more)
    return dataclasses.replace(of, diagnosis=dataclasses.replace(of.diagnosis, at_pull=state))


def test_a_window_that_opened_after_the_pull_or_never_is_on_the_curve(reviewed: Review) -> None:
    later = report_of(with_pull(reviewed, before_ready_s=Spread(130.0, 90.0, 180.0), p_never=0.0), Units(), DAY)
    assert dict(later.state)["Window"] == "would have opened 2:10 after the pull; the core was not ready"
    assert (620.0 + 130.0, "window would have opened, 2:10 later") in later.figure.marks
    assert later.figure.until_s == 750.0
    assert b"window would have opened, 2:10 later" in html_bytes(later)
    before = report_of(with_pull(reviewed, before_ready_s=Spread(-40.0, -50.0, -20.0), p_never=0.0), Units(), DAY)
    assert dict(before.state)["Window"] == "opened 0:40 before the pull"
    assert (580.0, "window opens") in before.figure.marks
    # The heat as it was: air of 157 °C never brings the core to 165 °C.
    never = report_of(reviewed, Units(), DAY)
    state = reviewed.diagnosis.at_pull
    assert (state.before_ready_s, state.p_never, state.followed_s) == (None, pytest.approx(1.0), 0.6 * 620.0)
    assert dict(never.state)["Window"] == "would not have opened within 6:12 after the pull (over 99 %)"
    assert any("window not open" in words for _, words in never.figure.marks)


def test_the_dose_is_told_in_plain_words_with_its_unit(reviewed: Review) -> None:
    polymer = reviewed.case.polymer.id
    hot = with_pull(reviewed, hot_s=Spread(190.0, 160.0, 210.0))
    assert dict(report_of(hot, Units(), DAY).state)["Time at temperature"] == (
        f"a face was at 165 °C or hotter for 3:10 (2:40 to 3:30) min; {polymer} states no limit for it"
    )
    limited = dataclasses.replace(
        with_pull(hot, dose=Spread(1.3, 1.1, 1.6)),
        of=dataclasses.replace(reviewed.of, dose=Dose(1200.0, 180.0, 100_000.0)),
    )
    for one in (html_bytes(report_of(limited, Units(), DAY)).decode(), "\n".join(words_of(limited, Units()))):
        assert "130 % (110 to 160 %) of the heat that a face stands was used up" in one
        assert "it stands 20:00 at 180 °C, less where hotter" in one


def test_the_time_above_a_level_is_exact_for_straight_lines() -> None:
    """Triangle, plateau, and a member that is no longer followed: by hand."""
    time_s = np.array([0.0, 10.0, 20.0, 30.0])
    values = np.array([[0.0, 5.0, 0.0], [10.0, 5.0, 10.0], [0.0, 5.0, np.nan], [0.0, 5.0, np.nan]])
    assert _time_above(time_s, values, 5.0).tolist() == [10.0, 30.0, 5.0]


def test_a_qr_code_begins_with_its_finder_pattern() -> None:
    # ISO/IEC 18004: a finder is 7 x 7, dark at the rim and in the 3 x 3 of its middle; three corners have one.
    side, dark = dark_squares("heat 12")
    finder = {(x, y) for x in range(7) for y in range(7) if 0 in (x, y) or 6 in (x, y) or {x, y} <= {2, 3, 4}}
    for left, top in ((0, 0), (side - 7, 0), (0, side - 7)):
        there = {(x - left, y - top) for x, y in dark if left <= x < left + 7 and top <= y < top + 7}
        assert there == finder


def test_every_finding_has_words(reviewed: Review) -> None:
    for one in reviewed.diagnosis.findings:
        assert title(one, Units())[0].isupper()
    assert "Oven colder than it showed" in headline(reviewed, Units())
    assert [percent(share) for share in (0.004, 0.5, 0.999)] == ["under 1 %", "50 %", "over 99 %"]


def told(of: Review, *findings: Finding) -> str:
    return headline(dataclasses.replace(of, diagnosis=dataclasses.replace(of.diagnosis, findings=findings)), Units())


def test_two_causes_at_once_are_said_and_so_is_what_cannot_be_told_apart(reviewed: Review) -> None:
    thick = Finding("gauge", "", 0.98, size=0.3, size_std=0.05)
    assert told(reviewed, thick, Finding("loose", "face_upper_c", 0.9)) == (
        "Sheet thicker than its label and thermocouple face upper loose (98 %)"
    )
    cold = Finding("face", "upper", 0.6, size=-0.4, alike=("film upper",))
    assert told(reviewed, cold, Finding("film", "upper", 0.3)) == (
        "The upper face stayed cold (fan, element, or blocked) (or protective film left on the upper face: these "
        "readings cannot tell) (60 %)"
    )
    unsure = Finding("gauge", "", 0.4, size=-0.3)
    assert told(reviewed, unsure).startswith("No single cause stands out; likeliest: Sheet thinner than its label")


# ---------------------------------------------------------------- failures


def test_every_failure_of_the_trade_has_causes_outside_the_oven() -> None:
    # The list of kinds is the trade's: common practice, no source.
    assert len(KINDS) == len(set(KINDS)) == 13
    assert all(one.outside for one in FAILURES)
    assert failure_of("Bridging at the heel") == next(one for one in FAILURES if one.kind == "bridging")
    assert failure_of("something else") is None
    assert failure_of("") is None
    assert failure_of(None) is None


def test_a_failure_that_no_heating_explains_is_not_blamed_on_the_oven(reviewed: Review) -> None:
    edge = next(one for one in FAILURES if one.kind == "out-of-shape edge")
    told = failure_words(edge, reviewed.diagnosis, Units())
    assert "look outside the oven first" in told[1]
    assert told[2].startswith("Outside the oven, never its fault: trimmed while warm")


# ---------------------------------------------------------------- walls


def entry(walls: list[Wall], at_ms: int) -> Attachment:
    return Attachment(f"{at_ms:032x}", "0" * 32, "walls", MEDIA_TYPE, walls_content(walls, "AB", at_ms))


def test_the_newest_reading_of_a_place_counts() -> None:
    old, new = Wall("Distal end", None, 2.0), Wall("distal end", None, 2.2)
    at_120, higher = Wall("medial", 120.0, 3.4), Wall("medial", 140.0, 3.6)
    other = Attachment("f" * 32, "0" * 32, "photo", "image/png", b"")
    found = walls_of([entry([new], 2000), other, entry([old, at_120, higher], 1000)])
    assert set(found) == {new, at_120, higher}


def test_a_wall_is_compared_with_earlier_parts_at_its_place_and_level() -> None:
    earlier = [[Wall("distal end", None, mm), Wall("medial", 100.0, 9.0)] for mm in (2.6, 3.0, 3.3)]
    thin, elsewhere = compared([Wall("Distal end", None, 2.4), Wall("medial", 120.0, 3.4)], earlier)
    assert (thin.parts, thin.least_mm, thin.median_mm, thin.most_mm, thin.thinner) == (3, 2.6, 3.0, 3.3, True)
    assert (elsewhere.parts, elsewhere.median_mm, elsewhere.thinner) == (0, None, False)


def test_earlier_parts_are_found_in_the_store(tmp_path: Path) -> None:
    url = str(tmp_path / "shop.sqlite")
    for n in range(4):
        path = hostile_file(tmp_path / f"{n}.csv")
        path.write_text(path.read_text("utf-8").replace("lot ", f"lot {n} "), encoding="utf-8")
        ok("import", str(path), "--store", url)
        told = ok("heats", "wall", str(n + 1), f"heel@0={3.0 + 0.1 * n:.1f}mm", "--by", "AB", "--store", url, "--json")
    # All four are dated by their import, one after the other: the last has three before it.
    (wall,) = json.loads(told)["walls"]
    assert (wall["earlier_parts"], wall["least_mm"], wall["median_mm"], wall["most_mm"]) == (3, 3.0, 3.1, 3.2)
    # A heat shown lists them too, beside the same earlier parts; one without walls says nothing of any.
    assert json.loads(ok("heats", "4", "--store", url, "--json"))["walls"] == [wall]
    assert "Wall heel at 0 mm: 3.3 mm; 3 earlier parts 3 to 3.2 mm, median 3.1 mm\n" in ok("heats", "4", "--store", url)
    assert json.loads(ok("heats", "1", "--store", demo_store(tmp_path / "none.sqlite"), "--json"))["walls"] == []


def test_walls_are_typed_and_shown_in_the_unit_of_the_shop_and_kept_in_mm(store: str, tmp_path: Path) -> None:
    url = str(shutil.copy(store, tmp_path / "us.sqlite"))
    us = ("--units", "us", "--store", url, "--by", "AB")
    told = ok("heats", "wall", "1", "heel@4.72=0.110", "toe@120mm=2.9mm", *us)
    assert "heel at 4.72 in: 0.110 in; no earlier part" in told
    assert "toe at 4.72 in: 0.114 in; no earlier part" in told
    walls = {one["place"]: one for one in json.loads(ok("heats", "wall", "1", "--store", url, "--json"))["walls"]}
    assert (walls["heel"]["wall_mm"], walls["heel"]["level_mm"]) == (2.794, 119.888)
    assert Wall("Heel", 119.888, 2.8).at == Wall("heel", 120.0, 2.9).at
    # 1.5 in no sheet of the trade has; 0.5 in is thicker than the 6 mm sheet: refused, and questioned.
    refusal = refused("heats", "wall", "1", "heel=1.5", *us)
    assert "at least 0.00394 and at most 0.787 in" in refusal
    doubt = refused("heats", "wall", "1", "heel=0.5", *us)
    assert "0.500 in is thicker than its sheet, 0.236 in" in doubt
    assert "--measured-again keeps it" in doubt
    assert "less than a twelfth of its sheet, 6 mm" in refused(
        "heats", "wall", "1", "heel=0.11", "--by", "AB", "--store", url
    )
    assert "seam: 0.500 in" in ok("heats", "wall", "1", "seam=0.5", *us, "--measured-again")


@pytest.mark.parametrize("words", ["heel", "heel=x", "=2", "heel=0", "heel=55", "heel@5000=2", "heel=2cm", "heel=1e0"])
def test_readings_that_are_none_are_refused(words: str, store: str) -> None:
    refused("heats", "wall", "1", words, "--by", "AB", "--store", store)


def test_an_entry_that_was_altered_is_no_wall() -> None:
    with pytest.raises(InputError, match="cannot be read"):
        walls_of([Attachment("a" * 32, "0" * 32, "walls", MEDIA_TYPE, b'{"walls": 3}')])


# ---------------------------------------------------------------- cards


def test_the_card_that_was_kept_reads_back_as_it_was() -> None:
    shop = open_shop(DEMO_FOLDER)
    for oven in shop.oven_ids():
        card = shop.oven(oven)
        text = json.dumps(dataclasses.asdict(card), default=str)
        found = stored_card(text, "heat 1")
        assert dataclasses.replace(found, evidence=None) == dataclasses.replace(card, evidence=None)
    with pytest.raises(InputError, match="--oven-card"):
        stored_card('{"id": 3}', "heat 1")
    for name, wrong in (("set_c", "hot"), ("kind", "kiln"), ("recovery_s", float("nan")), ("valid", [1])):
        altered = json.loads(text) | {name: wrong}
        with pytest.raises(InputError, match="--oven-card"):
            stored_card(json.dumps(altered), "heat 1")
