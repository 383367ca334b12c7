"""A part's making in rows of words: what to take, the wall, heat, carry and cooling on one time line, cautions."""

from __future__ import annotations

from dashboard.making import Making, gauge_of
from dashboard.plan_advice import ADVICE_ONLY, HOT_SHEET, changes
from dashboard.plan_settings import by_the_clock
from dashboard.plan_words import note_words, opening_words, percent
from dashboard.shop import Shop
from dashboard.units import Units
from thermal.blank import Blank
from thermal.method import DROP_OF_LENGTH, Bubble, Drape, Equipment
from thermal.mold_cooling import STANDING_S, Cooling
from thermal.wall import Place, Wall

Rows = list[tuple[str, str]]

#: Places of a pattern that are put in words (its drawing has all).
_PLACES = 8
#: Levels at which the wall of a sector is put in words (JSON and picture have all).
_SECTOR_LEVELS = 4
#: Wall for which an unknown limit of stretch is said from here on: gauge over wall (our choice).
_MUCH = 3.0
#: Sheet in folds that is worth a word, share of the square of the ring's radius (our choice).
_FOLDS = 0.02


def headline(made: Making, units: Units) -> tuple[str, str]:
    """The answer in a few words, and a sentence behind it without full stop."""
    choice = made.choice
    gauge = gauge_of(choice)
    if choice.method is None or gauge is None:
        return "Neither way can be done", "see below what stands against each"
    why = ". ".join(note_words(one, units) for one in choice.reasons)
    what = "Pull a bubble" if choice.method == "bubble" else "Drape"
    return f"{what}: {choice.polymer.name}, {units.length(gauge)}", why


def settings_words(made: Making, units: Units) -> str | None:
    """Oven, setting and how the moment of the pull is told, in a line; None where no oven was named."""
    if made.plan is None:
        return None
    case = made.plan.case
    return f"Oven {case.oven.id}, set to {units.temperature(case.set_c)}. {by_the_clock(made.plan, units).heading}"


def take_rows(made: Making, units: Units) -> Rows:
    """Sheet, frame, blank, drop."""
    choice = made.choice
    if choice.method == "bubble" and choice.bubble is not None:
        return _bubble_rows(choice.bubble, made, units)
    if choice.method == "drape" and choice.drape is not None:
        return _drape_rows(choice.drape, units)
    return []


def _bubble_rows(bubble: Bubble, made: Making, units: Units) -> Rows:
    blank = " by ".join(units.length(side) for side in bubble.blank_m)
    share = bubble.drop_m / made.choice.mold.length_m
    practice = " (common practice: about two thirds)" if share < 0.9 * DROP_OF_LENGTH else ""
    return [
        ("Frame", f"opening {opening_words(bubble.opening_m, units)}"),
        ("Blank", f"{blank}, {units.length(bubble.gauge_m)} thick"),
        ("Drop", f"{units.length(bubble.drop_m)}, {percent(share)} of the mold's length{practice}"),
        ("Room", f"{units.length(bubble.room_m)} clear below the frame in the oven"),
    ]


def _drape_rows(drape: Drape, units: Units) -> Rows:
    blank = drape.blank
    size = f"{units.length(blank.length_m)} by {units.length(blank.breadth_m)}, {units.length(drape.gauge_m)} thick"
    return [
        ("Blank", f"{size}; cut it to the pattern"),
        ("Seam", f"{units.length(blank.seam_m)} at each long edge (common practice)"),
        ("Overhang", f"{units.length(blank.overhang_m)} at each end (common practice)"),
        ("Pattern", pattern_words(blank, units)),
    ]


def pattern_words(blank: Blank, units: Units) -> str:
    """'at 70 mm 276 mm wide; ...', from the distal edge; of many levels every second, third, ... one."""
    step = -(-(len(blank.along_m) - 2) // _PLACES)
    places = zip(blank.along_m[1:-1:step], blank.width_m[1:-1:step], strict=True)
    return (
        "; ".join(f"at {units.length(at)} {units.length(width)} wide" for at, width in places) + " from its distal edge"
    )


def wall_rows(made: Making, units: Units) -> Rows:
    """The wall by level, from the tip; label and words each."""
    choice = made.choice
    if choice.method == "drape" and choice.drape is not None:
        low, middle, high = (units.length(value) for value in choice.drape.wall_m)
        return [
            ("All over", f"about {middle} ({low} to {high}, estimated: a draped wall is even but where it is pulled)")
        ]
    if choice.method != "bubble" or choice.bubble is None:
        return []
    found = choice.bubble.wall
    rows = [
        ("tip" if place.level_m == 0.0 else units.length(place.level_m), place_words(place, units))
        for place in found.places
    ]
    thinnest = f"{place_words(found.thinnest, units)}, {units.length(found.thinnest.level_m)} from the tip"
    if made.sectors:
        by_wall = sorted(zip(sector_names(made), made.sectors, strict=True), key=lambda pair: pair[1].thinnest.wall_m)
        (low, thin), (high, thick) = by_wall[0], by_wall[-1]
        rows.append(
            (
                "Sectors",
                f"thinnest {units.length(thin.thinnest.wall_m)} in sector {low} to "
                f"{units.length(thick.thinnest.wall_m)} in sector {high}",
            )
        )
    elif made.mold.shape is not None:
        rows.append(("Sectors", "not told: one lies beyond the frame, or is empty in the mesh"))
    return [*rows, ("Thinnest", thinnest), ("Stretch", stretch_words(made))]


#: Part of a direction along an axis that is named; with eight sectors each then has a name of its own, mostly.
_ALONG = 0.4

#: How the wall of a sector is meant.
SECTOR_SAID = (
    "Each sector as if the whole mold were round with that sector's radius: it shows how much a mold that is not round "
    "may thin where it bulges, not exactly where"
)


def sector_names(made: Making) -> list[str]:
    """'1 (+x)', '2 (+x +y)' ...: the number, and where it lies in the mesh's own axes."""
    assert made.mold.shape is not None
    return [f"{number} ({_direction(towards)})" for number, towards in enumerate(made.mold.shape.towards, 1)]


def _direction(towards: tuple[float, float, float]) -> str:
    """'+x -y': the axes that a direction goes along."""
    parts = zip("xyz", towards, strict=True)
    return " ".join(("+" if part > 0.0 else "-") + axis for axis, part in parts if abs(part) > _ALONG)


def sector_rows(made: Making, units: Units) -> Rows:
    """The wall of each sector of a mesh: its thinnest place, and the wall at a few levels."""
    if not made.sectors:
        return []
    return [
        (f"Sector {name}", _sector_words(one, units))
        for name, one in zip(sector_names(made), made.sectors, strict=True)
    ]


def _sector_words(found: Wall, units: Units) -> str:
    step = -(-len(found.places) // _SECTOR_LEVELS)
    said = [
        f"{units.length(one.wall_m)} at {'the tip' if one.level_m == 0.0 else units.length(one.level_m)}"
        for one in found.places[::step]
    ]
    walls = "; ".join(said)
    at = units.length(found.thinnest.level_m)
    return f"thinnest {place_words(found.thinnest, units)}, {at} from the tip; {walls}"


def place_words(place: Place, units: Units) -> str:
    """'5.4 mm (4.6 to 6.1)' with the 5 and 95 %."""
    low, high = place.interval_m
    return f"{units.length(place.wall_m)} (90 of 100: {units.length(low)} to {units.length(high)})"


def stretch_words(made: Making) -> str:
    """The largest area stretch beside what the polymer bears."""
    assert made.choice.bubble is not None
    stretch = made.choice.bubble.wall.stretch
    most = made.choice.polymer.forming.stretch_max
    words = f"{stretch:.1f} times in area at the thinnest place"
    if most is None:
        return words + ("; how much this polymer bears is not known, go carefully" if stretch > _MUCH else "")
    if stretch > most:
        return f"{words}: MORE than the {most:g} that is useful with this polymer: it may tear or whiten"
    return f"{words}, of {most:g} that is useful with this polymer"


def warnings(made: Making, units: Units) -> list[str]:
    """What heat and wall warn of, sentences without full stop; what would make a window where there is none."""
    found = []
    if made.plan is not None and made.plan.opens.time_s is None:
        found.append(f"This sheet has no window in oven {made.plan.case.oven.id}: do not heat it so")
        found += changes(made.plan, units)
    bubble = made.choice.bubble
    if made.choice.method == "bubble" and bubble is not None:
        most, wanted = made.choice.polymer.forming.stretch_max, made.choice.wanted_m
        if most is not None and bubble.wall.stretch > most:
            found.append(f"The sheet is stretched {bubble.wall.stretch:.1f} times, past what is useful ({most:g})")
        if wanted is not None and bubble.wall.thinnest.interval_m[0] < wanted - 1e-9:
            found.append(f"The wall may be thinner than the {units.length(wanted)} wanted")
        if bubble.wall.folds_m2 > _FOLDS * bubble.wall.pull.ring_m**2:
            found.append("The bubble has more sheet than the mold takes: webs and folds at its foot; drop it less")
        found.append("The wall is that of a round mold of the same girths; corners and hollows come out thinner")
    return found


def line_rows(made: Making, units: Units) -> Rows:
    """From the oven to demolding on one line of time."""
    rows: Rows = []
    plan = made.plan
    if plan is not None:
        told = by_the_clock(plan, units)
        rows.append(("Heat", f"{told.heading}. {told.trust[:1].upper()}{told.trust[1:]}"))
        if plan.carry is not None:
            left = "over 30 min" if plan.carry.formable_s is None else units.seconds(plan.carry.formable_s)
            rows.append(("Door opens", f"0:00, then {left} until a face is too cold (still room)"))
            shortest = [c for c in plan.carries if c.carry.formable_s is not None]
            if shortest:
                worst = min(shortest, key=lambda one: one.carry.formable_s or 0.0)
                rows.append(("At worst", f"{units.seconds(worst.carry.formable_s or 0.0)} {worst.name}"))
    if made.cooling is not None:
        rows += cooling_rows(made.cooling, made, units)
    return rows


def cooling_rows(cooling: Cooling, made: Making, units: Units) -> Rows:
    """The core's fall below the demold temperature, beside the instruction that stands."""
    below = units.temperature(made.choice.polymer.forming.demold_c)
    wall = units.length(cooling.of.wall_m)
    if cooling.strip_s is None:
        core = f"the core of the {wall} wall stays above {below} for more than a day"
    else:
        low, high = (None if t is None else units.seconds(t) for t in cooling.interval_s)
        core = (
            f"the core of the {wall} wall is below {below} after {units.seconds(cooling.strip_s)} on the mold "
            f"(90 of 100: {low} to {high or 'over a day'})"
        )
    hours = STANDING_S / 3600.0
    return [
        ("Core cold", core),
        (
            "Demold",
            f"after {hours:.0f} hours on the mold, the instruction that stands (common practice, no source), or as the "
            "sheet's own instructions say; a cold core is not yet a part that keeps its shape, and taking it off "
            "sooner is not this tool's advice",
        ),
    ]


def checks() -> list[str]:
    """What to do before the sheet goes in, for the card."""
    return [
        "Label of the sheet kept: polymer, gauge, lot",
        "Film off both faces, no scratches, dry",
        "Gauge measured at three places",
        "Mold dry on its face, stocking on, vacuum tried",
        "Way from oven to mold clear, second person there",
    ]


def cautions() -> list[str]:
    """The hazards."""
    return [*HOT_SHEET, ADVICE_ONLY]


def granted(made: Making, shop: Shop, mold_c_stated: bool, units: Units) -> list[str]:
    """What was taken because nothing stated it, sentences without full stop."""
    found = []
    if shop.is_demo:
        found.append(f"Equipment of the {shop.name}, an invented example, but for what was said otherwise")
    found.append(equipment_words(made.choice.equipment, units))
    if not mold_c_stated:
        found.append("Mold as cold as the room")
    if made.plan is None:
        found.append("No oven named: the wall starts its cooling at the least temperature it is formed at")
    found.append("The mold is taken as round, with the girths measured; the sheet as evenly hot")
    return found


def equipment_words(equipment: Equipment, units: Units) -> str:
    """What was taken to be at hand, a sentence without full stop."""
    frames = ", ".join(opening_words(one, units) for one in equipment.openings_m)
    rack, oven = equipment.rack_m, equipment.oven_m
    parts = [
        f"frames {frames}" if frames else "no frame named, so square ones were tried",
        "room below the frame not known" if rack is None else f"{units.length(rack)} of room below the frame",
        "oven's inside not known" if oven is None else f"oven {opening_words(oven, units)} inside",
        "vacuum" if equipment.vacuum else "no vacuum",
    ]
    return f"At hand: {'; '.join(parts)}"


def against(made: Making, units: Units) -> list[str]:
    """Why a method cannot be done, sentences without full stop."""
    names = {"bubble": "Bubble", "drape": "Drape"}
    return [f"{names[method]}: {note_words(one, units)}" for method, why in made.choice.against.items() for one in why]
