"""`pullcue review` and its report, `pullcue heats wall`, and what a hostile heat cannot do to them."""

from __future__ import annotations

import dataclasses
import datetime
import json
import re
import shutil
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from calibration.alternative_fit import Beside, Fitted
from calibration.alternatives import Alternative, Cause
from calibration.diagnosis import NOTHING, Finding
from calibration.doubt import SetAside
from calibration.estimate import Spread
from calibration.given import given
from calibration.observed import Observed
from calibration.reconstruction import _time_above
from command_line import demo_store, ok, refused
from dashboard.after_pull import carried_until_s, on_mold_s
from dashboard.commands.records_options import opened
from dashboard.commands.review import _words as words_of
from dashboard.failure_words import failed_lines, failure_words
from dashboard.failures import FAILURES, KINDS, failure_of
from dashboard.heat_view import heat_view
from dashboard.pull_facts import PullFacts, pull_facts
from dashboard.pull_words import state_lines, window_words
from dashboard.qr import dark_squares
from dashboard.report import Report, _correction, report_of
from dashboard.report_html import html_bytes
from dashboard.report_pdf import pdf_bytes
from dashboard.review import Review, _unsettled
from dashboard.review_json import review_json
from dashboard.review_words import (
    CAUTION,
    doubt_lines,
    evidence_words,
    headline,
    limits_passed,
    percent,
    title,
)
from dashboard.shop import DEMO_FOLDER, open_shop
from dashboard.spread_words import margin_words, stretch_words
from dashboard.store_place import StorePlace
from dashboard.stored_card import stored_card
from dashboard.stored_review import kept_review
from dashboard.stored_review import review_of as _review_of
from dashboard.stored_review import told as stored_told
from dashboard.units import Units
from dashboard.unseen import unseen_lines
from dashboard.wall_compare import compared
from dashboard.web.records_figure import heat_figure
from logger.heatfile import read_heat
from logger.records import Attachment, Correction
from logger.walls import MEDIA_TYPE, Wall, walls_content, walls_of
from thermal.fields import InputError
from thermal.heat import Event
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
    first = "heat 1: Pulled before the core was ready (over 99 %) and oven colder than it showed (over 99 %)."
    assert words.startswith(first)
    for told in ("Core (coldest point)", "Pulled", "10:20", "On the mold", "after 0:15", "Outside the oven, never its",
                 "distal <script>", "2.4 mm; no earlier part to compare with",
                 "\n  Nobody measured the sheet: a wrong gauge, another polymer, a film left on, a "):  # fmt: skip
        assert told in words
    # The air alone says that the oven was cold; what the core was is computed, and told as such.
    assert "Goes with it in this heat: the core was below its least at the pull (over 99 %); oven colder" in words
    assert re.search(r"Core against its least +\d+ K below \(\d+ to \d+ K below\); below it: over 99 %\n", words)
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


def test_a_note_that_was_corrected_is_not_on_the_report() -> None:
    def line(field: str, new: str) -> str:
        return _correction(Correction("0" * 32, "1" * 32, 0, "AB", "asked", field, "null", json.dumps(new)))

    assert line("notes", "a person's name") == (
        "1970-01-01 00:00 UTC, AB: Note changed (its words are in the record); asked"
    )
    assert line("outcome_kind", "bridging") == "1970-01-01 00:00 UTC, AB: Failed how was not known, is bridging; asked"


def test_words_of_the_least_stand_clear_of_the_air(reviewed: Review) -> None:
    """The air of this heat stays below what the core must have; 20 K hotter it runs above."""
    hotter = {
        name: values + 20.0 if name.startswith("air") else values for name, values in reviewed.heat.columns.items()
    }
    hot = dataclasses.replace(reviewed, heat=dataclasses.replace(reviewed.heat, columns=hotter))
    for of, below in ((reviewed, False), (hot, True)):
        least, most = report_of(of, Units(), DAY).figure.levels
        assert (least.name, least.below, most.below) == ("core at least 165 °C, as stated", below, False)


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
    assert dict(later.state)["Window"] == "would have opened 2:10 after the pull (1:30 to 3:00); the core was not ready"
    assert (620.0 + 130.0, "window would have opened, 2:10 later") in later.figure.marks
    assert later.figure.until_s == 750.0
    assert b"window would have opened, 2:10 later" in html_bytes(later)
    before = report_of(with_pull(reviewed, before_ready_s=Spread(-40.0, -50.0, -20.0), p_never=0.0), Units(), DAY)
    assert dict(before.state)["Window"] == "opened 0:40 before the pull (0:20 to 0:50)"
    assert (580.0, "window opens") in before.figure.marks
    # The heat as it was: air of 157 °C never brings the core to 165 °C.
    never = report_of(reviewed, Units(), DAY)
    state = reviewed.diagnosis.at_pull
    assert state.before_ready_s is None
    assert state.p_never == pytest.approx(1.0)
    assert state.followed_s == 0.6 * 620.0
    assert dict(never.state)["Window"] == "would not have opened within 6:12 after the pull (over 99 %)"
    assert any("window not open" in words for _, words in never.figure.marks)


def test_the_dose_is_told_in_plain_words_with_its_unit(reviewed: Review) -> None:
    polymer = reviewed.case.polymer.id
    hot = with_pull(reviewed, hot_s=Spread(190.0, 160.0, 210.0))
    assert dict(report_of(hot, Units(), DAY).state)["Time at temperature"] == (
        f"a face was at 165 °C or hotter for 3:10 min (2:40 to 3:30 min); {polymer} states no limit for it"
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
    assert "oven colder than it showed (over 99 %)" in headline(reviewed, Units())
    assert [percent(share) for share in (0.004, 0.5, 0.999)] == ["under 1 %", "50 %", "over 99 %"]


def with_findings(of: Review, *findings: Finding) -> Review:
    return dataclasses.replace(of, diagnosis=dataclasses.replace(of.diagnosis, findings=findings))


def told(of: Review, *findings: Finding) -> str:
    return headline(with_findings(of, *findings), Units())


def test_two_causes_at_once_are_said_and_so_is_what_cannot_be_told_apart(reviewed: Review) -> None:
    thick = Finding("gauge", "", 0.98, size=0.3, size_std=0.05)
    loose = Finding("loose", "face_upper_c", 0.9)
    assert told(reviewed, thick, loose) == (
        "Sheet thicker than its label (98 %) and thermocouple face upper loose (90 %)"
    )
    cold = Finding("face", "upper", 0.6, size=-0.4, odds=6.0, alike=("film upper",))
    assert told(reviewed, cold, Finding("film", "upper", 0.3)) == (
        "The upper face stayed cold (60 %) or protective film left on the upper face (30 %): these readings cannot "
        "tell which"
    )
    assert told(reviewed, loose, cold, Finding("film", "upper", 0.3)).startswith(
        "Thermocouple face upper loose (90 %), and the upper face stayed cold (60 %) or protective"
    )
    unsure = Finding("gauge", "", 0.4, size=-0.3)
    assert told(reviewed, unsure).startswith(
        "No single cause stands out; likeliest: Sheet thinner than its label (40 %"
    )


def test_what_cannot_be_told_apart_is_said_only_of_what_is_likely(reviewed: Review) -> None:
    """Worth a word: a finding from 20 % on, for which the readings speak; five times less likely: hardly."""

    def evidence(probability: float, odds: float, film: float) -> str:
        one = Finding("face", "upper", probability, size=-0.4, odds=odds, alike=("film upper",))
        found = dataclasses.replace(reviewed.diagnosis, findings=(one, Finding("film", "upper", film)))
        return evidence_words(one, dataclasses.replace(reviewed, diagnosis=found), Units())

    film = "from: protective film left on the upper face"
    assert f"these readings cannot tell it {film}" in evidence(0.5, 6.0, 0.2)
    assert f"these readings can hardly tell it {film}" in evidence(0.5, 6.0, 0.08)
    for probability, odds, other in ((0.1, 6.0, 0.1), (0.5, 3.0, 0.2), (0.5, 6.0, 0.01)):
        assert "film" not in evidence(probability, odds, other)


def unusual(of: Review, p_early: float, probability: float = 0.74) -> Review:
    """A review that found nothing, with a core that was as probably cold; something of the sheet was measured."""
    state = dataclasses.replace(of.diagnosis.at_pull, p_early=p_early, p_late=0.0, p_face=0.0)
    found = (Finding(NOTHING, "", probability), Finding("pulled early", "", 0.2))
    return dataclasses.replace(
        of, diagnosis=dataclasses.replace(of.diagnosis, findings=found, at_pull=state, misfit=1.0)
    )


def test_a_cold_core_is_told_where_no_cause_is_found(reviewed: Review) -> None:
    cold = unusual(reviewed, 0.92)
    assert headline(cold, Units()) == (
        "No cause found in the readings, but the core was probably below its least at the pull (92 %)"
    )
    assert dict(state_lines(cold, Units()))["Core against its least"].endswith("K below); below it: 92 %")
    assert "but the core was probably below its least" in evidence_words(cold.diagnosis.first, cold, Units())
    assert headline(unusual(reviewed, 0.92, 0.45), Units()).startswith("No single cause stands out, but the core was")
    fine = unusual(reviewed, 0.05)
    assert headline(fine, Units()) == "Nothing unusual in the heating (74 %)"
    assert "below it" not in dict(state_lines(fine, Units()))["Core against its least"]
    hot = dict(state_lines(with_pull(fine, p_face=0.4), Units()))
    assert hot["Hotter face"].endswith("; over its limit at any time: 40 %")
    assert "Limit passed" not in hot


def test_each_limit_that_was_passed_is_named_with_its_figure(reviewed: Review) -> None:
    framed = dataclasses.replace(
        reviewed,
        of=dataclasses.replace(reviewed.of, drop_max=1.2),
        case=dataclasses.replace(reviewed.case, opening_m=(0.3,)),
    )

    def told(p_late: float, core: float, drop: float) -> str:
        passed = {"core too hot": core, "drop too large": drop}
        return limits_passed(with_pull(framed, p_late=p_late, p_passed=passed), Units())

    assert told(0.6, core=0.6, drop=0.05) == "core over what it stands (190 °C as stated): 60 %"
    late = with_pull(framed, p_late=1.0, p_passed={"core too hot": 0.2, "drop too large": 0.999})
    both = "drop over 180 mm: over 99 %; core over what it stands (190 °C as stated): 20 %"
    assert dict(state_lines(late, Units()))["Limit passed"] == both
    assert f"assed before it: {both}" in evidence_words(Finding("pulled late", "", 0.9), late, Units())
    # Each by itself is hardly worth a word, one of the two is.
    assert told(0.14, core=0.08, drop=0.06) == "core over what it stands (190 °C as stated): 8 %"
    assert told(0.04, core=0.03, drop=0.01) == ""
    kept = review_json(late, Units())["at_pull"]
    assert (kept["limit_passed_share"], kept["drop_measured"]) == (late.diagnosis.at_pull.p_passed, False)


def test_nothing_unusual_says_what_these_sensors_could_not_have_shown(reviewed: Review) -> None:
    """The air alone: beside the ranking, in the words, in what is kept for the page and on the report."""
    fine = unusual(reviewed, 0.05)
    air = dataclasses.replace(fine, diagnosis=dataclasses.replace(fine.diagnosis, misfit=None))
    assert headline(air, Units()) == "Nothing unusual in the air (74 %), and nobody measured the sheet"
    none = dataclasses.replace(air, diagnosis=dataclasses.replace(air.diagnosis, air=None))
    assert headline(none, Units()) == "Nothing was measured that could show anything unusual"
    unseen = "Nobody measured the sheet: a wrong gauge, another polymer, a film left on, a cold face or a cold sheet"
    kept = stored_told(kept_review(air), Units())
    assert kept is not None
    for lines in (kept.doubts, report_of(air, Units(), DAY).doubts, review_json(air, Units())["unseen"]):
        assert lines[0].startswith(unseen)


def test_what_each_set_of_sensors_cannot_show(reviewed: Review) -> None:
    time_s, values = np.arange(2.0), np.array([150.0, 151.0])

    def lines(*columns: str, misfit: float | None = 1.0, preheat: bool = True, support: str = "frame") -> list[str]:
        case = dataclasses.replace(reviewed.case, opening_m=None, support=support)
        seen = Observed(time_s, dict.fromkeys(columns, values) | {"face_lower_2_c": np.full(2, np.nan)})
        known = given(case, reviewed.of, seen, {}, 60.0)
        return unseen_lines(known, dataclasses.replace(reviewed.diagnosis, misfit=misfit), preheat)

    all_of_it = ("air_upper_c", "face_upper_c", "face_lower_c")
    assert lines(*all_of_it) == []
    assert lines(*all_of_it[:2], support="tray") == []
    assert [one[:35] for one in lines(*all_of_it[:2])] == ["Only one face was measured (face up"]
    assert [one[:26] for one in lines(*all_of_it[1:])] == ["Nobody measured the air, i"]
    assert [one[:33] for one in lines("air_upper_c", "drop_mm")] == ["No reading of a face is believed:"]
    assert len(lines("air_upper_c", misfit=None)) == 1
    assert lines("air_upper_c", misfit=None, preheat=False)[1].startswith("Nobody recorded the oven before the sheet")
    assert lines(misfit=None)[0].startswith("No reading of air or sheet is believed: ")
    silent = given(reviewed.case, reviewed.of, Observed(time_s, {}), {}, 60.0)
    unmeasured = dataclasses.replace(reviewed.diagnosis, misfit=None)
    assert unseen_lines(silent, unmeasured, True)[0].startswith("Nobody measured air or sheet: ")


def test_an_explanation_that_was_not_computed_to_rest_is_told(reviewed: Review) -> None:
    fits = [
        cast("Fitted", SimpleNamespace(weight=weight, settled=settled, alternative=Alternative(causes)))
        for weight, settled, causes in (
            (0.0, True, ()), (-0.1, False, (Cause("gauge", "", 0.01), Cause("film", "upper", 0.01))),
            (-0.2, False, ()), (-9.0, False, (Cause("start", "", 0.01),)),
        )
    ]  # fmt: skip
    assert _unsettled(fits) == (("gauge", "film upper"), (NOTHING,))
    moving = dataclasses.replace(
        with_findings(reviewed, Finding("gauge", "", 0.6, size=0.3), Finding("film", "upper", 0.5)),
        unsettled=(("gauge", "film upper"),), unseen=(),
    )  # fmt: skip
    assert doubt_lines(moving, Units()) == [
        "Not computed to rest, so take probability and size as rough: sheet thicker than its label with protective "
        "film left on the upper face"
    ]


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (
            230_612.0,
            "The readings speak very strongly for it (more than 1000 times likelier than with nothing unusual)",
        ),
        (234.0, "The readings speak very strongly for it (about 230 times likelier than with nothing unusual)"),
        (21.4, "The readings speak strongly for it (about 21 times likelier than with nothing unusual)"),
        (3.21, "The readings speak for it (about 3.2 times likelier than with nothing unusual)"),
        (2.1, "The readings speak weakly for it (about 2.1 times likelier than with nothing unusual)"),
        (1.9, ""),
        (1.0 / 21.4, "The readings speak strongly against it (about 21 times less likely than with nothing unusual)"),
    ],
)
def test_how_strongly_the_readings_speak(times: float, words: str, reviewed: Review) -> None:
    """Steps 3, 20 and 150: R. E. Kass, A. E. Raftery, Bayes factors, J. Am. Stat. Assoc. 90 (1995), from memory."""
    assert evidence_words(Finding("film", "upper", 0.1, odds=float(np.log(times))), reviewed, Units()) == words


def test_stretches_and_margins_that_touch_zero_read_as_people_say_it(reviewed: Review) -> None:
    assert stretch_words(Spread(0.0, 0.0, 83.0)) == "at most 1:23 min, perhaps not at all"
    assert stretch_words(Spread(62.0, 0.0, 83.0)) == "about 1:02 min (none to 1:23 min)"
    assert margin_words(Spread(1.2, -2.4, 15.9), Units()) == "1 K above (2 K below to 16 K above)"
    assert margin_words(Spread(-3.4, -6.3, -0.1), Units()) == "3 K below (6 to 0 K below)"
    assert margin_words(Spread(3.4, 0.2, 6.0), Units()) == "3 K above (0 to 6 K above)"
    after = with_pull(reviewed, before_ready_s=Spread(85.0, 0.4, 183.0), p_never=0.0)
    assert window_words(after).startswith("would have opened 1:25 after the pull (at once to 3:03); the core was not")
    assert margin_words(Spread(0.3, -7.0, 5.0), Units()) == "just there (7 K below to 5 K above)"
    assert margin_words(Spread(0.0, -7.0, 5.0), Units(), " its least") == "at its least (7 K below to 5 K above)"
    assert margin_words(Spread(-24.0, -29.1, -19.1), Units("us"), " it") == "43 °F below it (52 to 34 °F below)"
    at_pull = with_pull(reviewed, before_ready_s=Spread(-1.0, -150.0, 65.0), p_never=0.0)
    assert window_words(at_pull) == "opened about at the pull (between 2:30 before and 1:05 after)"
    told = dict(state_lines(with_pull(reviewed, least_c=Spread(166.0, 163.0, 169.0)), Units()))
    assert told["Core (coldest point)"].endswith("; must have 166 °C (163 to 169 °C) to be formed, 165 °C as stated")


def test_a_drop_that_was_not_measured_is_a_figure_only_where_computing_tells_it(reviewed: Review) -> None:
    unseen = dataclasses.replace(reviewed, diagnosis=dataclasses.replace(reviewed.diagnosis, beside=()))

    def told(low: float, middle: float, high: float, units: Units, measured: bool = False) -> str:
        state = with_pull(unseen, drop_mm=Spread(middle, low, high), drop_measured=measured)
        return dict(state_lines(state, units))["Drop"]

    assert told(60.0, 112.0, 450.0, Units()) == "not measured; computed it may be anything from 60 to 450 mm"
    assert told(-2.0, 112.0, 200.0, Units("us")) == "not measured; computed it may be anything from 0.0 to 7.9 in"
    assert told(90.0, 112.0, 140.0, Units()) == "about 112 mm (90 to 140 mm), computed: nobody measured it"
    assert told(0.6, 1.0, 2.4, Units()) == "about 1 mm (1 to 2 mm), computed: nobody measured it"
    assert told(60.0, 112.0, 450.0, Units(), measured=True) == "about 112 mm (60 to 450 mm)"


def test_a_card_of_another_oven_is_told_beside_the_ranking(reviewed: Review) -> None:
    other = dataclasses.replace(reviewed, heat=dataclasses.replace(reviewed.heat, oven="south"))
    assert doubt_lines(other, Units())[0].startswith("Heated in oven south, reviewed with the card of north: every")
    assert not any("card" in line for line in doubt_lines(reviewed, Units()))


def test_the_misfit_under_nothing_unusual_is_that_of_the_sheet_as_stated(reviewed: Review) -> None:
    """By hand: departures of 3 and 4 standard deviations have a root mean square of 3.54."""
    three_four = np.array([3.0, -4.0])
    beside = Beside("face_upper_c", np.array([1.0, 2.0]), np.zeros(2), np.zeros(2), three_four)
    found = dataclasses.replace(reviewed.diagnosis, misfit=0.9, as_stated=(beside,))
    one = dataclasses.replace(reviewed, diagnosis=found)
    words = evidence_words(Finding(NOTHING, "", 0.03), one, Units())
    assert "Readings and model do not agree (misfit 3.5, about 1 where all is explained)" in words


def test_a_window_whose_side_is_not_known_has_both_ends(reviewed: Review) -> None:
    unknown = with_pull(reviewed, before_ready_s=Spread(-37.0, -150.0, 65.0), p_never=0.0)
    assert window_words(unknown) == "opened about 0:37 before the pull (between 2:30 before and 1:05 after)"


def test_differences_are_in_the_units_shown(reviewed: Review) -> None:
    warm = Finding("start", "", 0.9, size=5.0, size_std=1.0)
    assert evidence_words(warm, reviewed, Units("us")) == "By about 9 °F (± 2 °F)"
    assert evidence_words(Finding("oven not ready", "", 0.9, size=-10.0), reviewed, Units("us")).startswith("18 °F bel")


def with_drawn(of: Review) -> Review:
    """With a thick sheet that shows in a face, a sensor that is not believed, and readings that nothing explains."""
    at_s = np.array([60.0, 300.0, 600.0])
    beside = Beside("face_upper_c", at_s, np.full(3, 100.0), np.array([60.0, 120.0, 150.0]), np.zeros(3))
    thick = Finding("gauge", "", 0.8, size=0.3, size_std=0.05, from_s=60.0, to_s=600.0, column="face_upper_c")
    early = Finding("pulled early", "", 0.3, from_s=620.0, to_s=620.0)
    door = Finding("door opened", "", 0.1, from_s=300.0, to_s=300.0)
    aside = (SetAside("face_lower_c", "stands still while others move", 200.0, 620.0, 420.0),)
    found = dataclasses.replace(of.diagnosis, findings=(thick, early, door), beside=(beside,), misfit=3.0, aside=aside)
    return dataclasses.replace(of, diagnosis=found)


DOUBTS = ("Nothing that was tried explains the readings well", "Not believed: face lower from 3:20 on: stands still")


def test_the_report_draws_what_explains_it_and_where_and_tells_its_doubts(reviewed: Review) -> None:
    made = report_of(with_drawn(reviewed), Units("us"), DAY)
    assert [(one.from_s, one.to_s, one.words) for one in made.figure.places] == [
        (60.0, 600.0, "Sheet thicker than its label (80 %)")
    ]
    (line,) = [one for one in made.figure.lines if one.name == "face upper, as explained"]
    assert line.values.tolist() == pytest.approx([140.0, 248.0, 302.0])  # °F
    assert line.dash
    page = html_bytes(made).decode()
    words = "".join(one.extract_text() for one in PdfReader(BytesIO(pdf_bytes(made))).pages)
    for told in (*DOUBTS, "Sheet thicker than its label (80 %)", "face upper, as explained"):
        assert told in page
        assert told in words.replace("\n", " ")


def test_the_page_draws_the_same_from_what_was_kept(reviewed: Review, store: str) -> None:
    kept = stored_told(kept_review(with_drawn(reviewed)), Units())
    assert kept is not None
    for words, told in zip(reversed(DOUBTS), kept.doubts[:2], strict=True):
        assert told.startswith(words)
    with opened(StorePlace(f"sqlite:///{store}", Path(store).parent)) as kept_store:
        figure = heat_figure(heat_view(kept_store, 1), kept, Units())
    (line,) = [one for one in figure["data"] if one["name"] == "upper face, as explained"]
    assert (line["x"], line["y"], line["line"]["dash"]) == ([1.0, 5.0, 10.0], [60.0, 120.0, 150.0], "dash")
    assert [one["x0"] for one in figure["layout"]["shapes"] if one.get("x1") == 10.0] == [1.0]
    assert any(one["text"] == "Sheet thicker than its label (80 %)" for one in figure["layout"]["annotations"])


# ---------------------------------------------------------------- failures


def test_every_failure_of_the_trade_has_causes_outside_the_oven() -> None:
    # The list of kinds is the trade's: common practice, no source.
    assert len(KINDS) == len(set(KINDS)) == 13
    assert all(one.outside for one in FAILURES)
    assert failure_of("Bridging at the heel") == next(one for one in FAILURES if one.kind == "bridging")
    assert failure_of("something else") is None
    assert failure_of("") is None
    assert failure_of(None) is None


def test_a_beginning_that_several_failures_have_is_asked_about() -> None:
    assert failure_of("bubbles") == next(one for one in FAILURES if one.kind.startswith("bubbles"))
    assert failure_of("thin") is None
    question = failed_lines("Thin", Ranking(()), SEEN, Units())
    assert question == [
        "Which failure 'Thin' means is not clear: thin distal wall or thin proximal wall? Enter one of them"
    ]
    assert failed_lines("broke in the car", Ranking(()), SEEN, Units()) == []


@dataclasses.dataclass(frozen=True)
class Ranking:
    findings: tuple[Finding, ...]

    @property
    def first(self) -> Finding:
        return self.findings[0]


SEEN = PullFacts(0.02, 0.0, 0.0)
COLD_ONES = (("gauge", 0.3), ("start", -9.0), ("face", -0.4), ("oven off", -9.0), ("oven drifted", -0.3),
             ("emitters", -40.0), ("oven not ready", -20.0))  # fmt: skip


def here(kind: str, pull: PullFacts, *findings: Finding) -> str:
    failure = failure_of(kind)
    assert failure is not None
    return failure_words(failure, Ranking(findings), pull, Units())[1]


@pytest.mark.parametrize(("kind", "size"), COLD_ONES)
def test_a_cause_goes_with_a_failure_only_in_its_direction(kind: str, size: float) -> None:
    """Common practice, no source: what is too cold cracks and bridges, what is too hot scorches and thins."""
    cold, hot = Finding(kind, "upper", 0.9, size=size), Finding(kind, "upper", 0.9, size=-size)
    for failure, going, not_going in (("cold-formed", cold, hot), ("bridging", cold, hot), ("scorching", hot, cold),
                                      ("thin distal", hot, cold)):  # fmt: skip
        assert here(failure, SEEN, going).startswith("Goes with it in this heat: ")
        assert here(failure, SEEN, not_going).endswith("look outside the oven first")


def test_the_oven_is_cleared_only_by_readings_that_can(reviewed: Review) -> None:
    none = Finding(NOTHING, "", 0.74)
    assert here("bridging", SEEN, none).endswith("look outside the oven first")
    assert here("bridging", dataclasses.replace(SEEN, early=0.92), none) == (
        "Goes with it in this heat: the core was below its least at the pull (92 %)"
    )
    assert here("bridging", dataclasses.replace(SEEN, early=0.3), none, Finding("gauge", "", 0.2, size=0.2)) == (
        "These readings cannot tell whether the heating goes with it; perhaps: the core was below its least at the "
        "pull (30 %); sheet thicker than its label (20 %)"
    )
    assert here("scorching", dataclasses.replace(SEEN, early=0.92), none).endswith("look outside the oven first")
    bare = pull_facts(dataclasses.replace(reviewed.diagnosis, misfit=None), True)
    assert here("scorching", bare, none).endswith(
        "cannot tell whether the heating goes with it: nothing of the sheet was measured"
    )
    assert here("out-of-shape edge", bare, none).endswith("look outside the oven first")
    assert pull_facts(reviewed.diagnosis, False).lacking == "no pull is on record"


def test_a_failure_that_no_heating_explains_is_not_blamed_on_the_oven(reviewed: Review) -> None:
    edge = next(one for one in FAILURES if one.kind == "out-of-shape edge")
    told = failure_words(edge, reviewed.diagnosis, pull_facts(reviewed.diagnosis, True), Units())
    assert "look outside the oven first" in told[1]
    assert told[2].startswith("Outside the oven, never its fault: trimmed while warm")


def test_a_part_that_was_demolded_says_nothing_of_the_carry() -> None:
    def seen(*events: Event) -> Observed:
        return Observed(np.zeros(0), {}, events)

    late = seen(Event(620.0, "pulled"), Event(2120.0, "demolded"))
    assert on_mold_s(late, 620.0) is None
    assert carried_until_s(late, 620.0) == 2120.0
    both = seen(*late.events, Event(640.0, "vacuum_on"), Event(650.0, "on_mold"))
    assert on_mold_s(both, 620.0) == carried_until_s(both, 620.0) == 640.0


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
