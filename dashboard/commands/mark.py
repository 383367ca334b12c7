"""`pullcue mark`: something that happened, now or some seconds ago, handed to the recorder that runs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import store_options
from dashboard.handing import form_note, handed_over
from dashboard.shop import open_shop
from dashboard.store_place import StorePlace, store_place
from thermal.fields import InputError, near_matches

_EPILOG = """\b
Events: start, door_open, door_closed, line_1, line_2, line_3, clear_through, set_change, pulled, on_mold, vacuum_on,
demolded; 'door' is door_open, and blanks or '-' serve for '_'. 'form' marks nothing: it fills in the form of the
heat that is open, or of the next one.

\b
Examples:
pullcue mark start --polymer pp-homopolymer --gauge-mm 6 --label "lot 0417" --job 4711 --initials AB
pullcue mark form --label "lot 0417" --checked film_off
pullcue mark "clear through" --ago 20s
pullcue mark pulled --bench north-bench --by AB
pullcue mark --undo

No patient names, in no entry and no note: the job number is enough. Nothing is refused silently: what cannot be kept is
said, and why.
"""
_SHORT = {"door": "door_open"}


@click.command("mark", epilog=_EPILOG)
@click.argument("event", required=False)
@click.option("--bench", "bench_id", metavar="ID", help="Which bench.  [default: the only one there is]")
@click.option("--ago", default="0s", show_default=True, metavar="TIME", help="It happened so long ago: 20s, 2min.")
@click.option("--by", default="", metavar="INITIALS", help="Who marks it.")
@click.option("--note", default="", metavar="TEXT", help="A remark. No patient names.")
@click.option("--undo", is_flag=True, help="Take back the last mark (with EVENT: the last of that event).")
@click.option("--polymer", metavar="ID", help="With start: polymer of the sheet.")
@click.option("--gauge-mm", metavar="MM", help="With start: thickness of the sheet.")
@click.option("--oven", metavar="ID", help="With start: the oven.  [default: the bench's]")
@click.option("--support", metavar="WORD", help="With start: frame or tray.")
@click.option("--opening-mm", metavar="MM", help="With start: free area inside the frame, 300 or 300x200.")
@click.option("--set-c", metavar="C", help="With start: what the oven is set to, °C.")
@click.option("--start-c", metavar="C", help="With start: temperature of the sheet at the door, °C.")
@click.option("--label", metavar="TEXT", help="With start: the sheet's label (lot).")
@click.option("--job", metavar="NUMBER", help="With start: job number. No patient names.")
@click.option("--initials", metavar="TEXT", help="With start: the operator's.")
@click.option("--colour", metavar="WORD", help="With start: natural, pigmented or pattern.")
@click.option("--dried-hours", metavar="H", help="With start: hours in the dryer.")
@click.option("--dried-c", metavar="C", help="With start: temperature of the dryer, °C.")
@click.option("--heated-before", metavar="YES|NO", help="With start: the sheet was heated before.")
@click.option("--other-sheets", metavar="COUNT", help="With start: other sheets in the oven.")
@click.option("--notes", metavar="TEXT", help="With start: anything else. No patient names.")
@click.option("--checked", multiple=True, metavar="CHECK", help="With start: done; sheet_undamaged, label_kept, "
              "film_off, frame_locked, clearance, or all.")  # fmt: skip
@store_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def mark(
    event: str | None, bench_id: str | None, ago: str, by: str, note: str, undo: bool, checked: tuple[str, ...],
    as_json: bool, shop: Path | None, store: str | None, practice: bool, **said: str | None,
) -> None:  # fmt: skip
    """Mark what happened at a bench: EVENT now, or some time ago.

    The recorder of the bench takes it. Where none is running the mark waits for the next one.
    """
    from dashboard import heat_form
    from dashboard.commands.mark_undo import take_back
    from dashboard.recording import of_oven, polymer_version
    from logger import marks
    from logger.clock import SystemClock
    from logger.heat_export import ms_of
    from logger.records import CHECKS

    clock = SystemClock()
    who = heat_form.line("--by", by) if by else ""
    words = heat_form.note("--note", note)
    entries = {field: said[option.replace("-", "_")] for field, option in heat_form.OPTIONS.items()}
    checks = CHECKS if "all" in checked else checked
    form = heat_form.form_of(entries, checks)
    name = marks.tidied(event or "")
    name = _SHORT.get(name, name)
    if form.as_table() and (undo or name not in (marks.START, marks.FORM)):
        option = next((f"--{heat_form.OPTIONS[f]}" for f, text in entries.items() if text is not None), "--checked")
        raise InputError(
            f"{option}: expected with 'pullcue mark start' or 'pullcue mark form' only; correct a heat that has ended "
            "with 'pullcue heats correct'"
        )
    workshop = open_shop(shop)
    if form.polymer is not None:
        form = replace(form, polymer_version=polymer_version(workshop, form.polymer))
    if form.oven is not None:
        form = of_oven(workshop, form)
    place = store_place(workshop, store, practice)
    bench = _bench(place, bench_id)
    undone = None
    if undo:
        wanted, taken, undone = take_back(place, bench, name, who, clock)
    elif event is None:
        raise InputError(f"mark: expected an event, one of {', '.join(marks.NAMES)}; or --undo")
    else:
        if name == marks.FORM:
            words = words or form_note(form.as_table())
        wanted = marks.request(name, ms_of(clock.utc()), marks.ago_s(ago), who, words, form.as_table() or None)
        taken = handed_over(place, bench, wanted, clock)
    content: dict[str, Any] = {
        "mark": wanted.name, "id": wanted.id, "bench": bench, "ago_s": wanted.ago_s, "by": wanted.by,
        "note": wanted.note, "undoes": wanted.undoes, "form": form.as_table(), "taken": taken,
    }  # fmt: skip
    if undo:
        content["undone"] = undone
    if as_json:
        click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))
        return
    click.echo("\n".join(_told(content)))


def _told(content: Mapping[str, Any]) -> list[str]:
    from dashboard.heat_form import NO_NAMES

    what = {"undo": "the taking back", "form": "the form"}.get(content["mark"], content["mark"])
    when = f", {content['ago_s']:g} s ago" if content["ago_s"] else ""
    lines = [f"Bench {content['bench']}: {content['mark']} is marked{when}."]
    if not content["taken"]:
        lines = [f"Bench {content['bench']}: {what} waits, no recorder has taken it yet; it is kept."]
    elif content["mark"] == "undo":
        lines = [f"Bench {content['bench']}: {content['undone']}."]
    elif content["mark"] == "form":
        lines = [f"Bench {content['bench']}: the form is filled in."]
    if content["mark"] in ("start", "form"):
        told = ", ".join(content["form"]) or "nothing"
        lines.append(f"In the form: {told}. {NO_NAMES}")
    return lines


def _bench(place: StorePlace, asked: str | None) -> str:
    """The bench that is meant: the one named, else the only one that ever recorded here."""
    known = sorted(one.name for one in place.marks.iterdir() if one.is_dir()) if place.marks.is_dir() else []
    if not known:
        raise InputError(
            f"{place.words}: no bench has recorded here yet: start one with 'pullcue bench' or 'pullcue practice' "
            "(its marks: --practice)"
        )
    if asked is None:
        if len(known) > 1:
            raise InputError(f"--bench is needed: expected one of {', '.join(known)}")
        return known[0]
    if asked not in known:
        raise InputError(f"--bench {asked!r}: expected one of {', '.join(known)}{near_matches(asked, known)}")
    return asked
