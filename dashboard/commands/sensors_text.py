"""The sentences of `pullcue sensors check`."""

from __future__ import annotations

from collections.abc import Mapping

from logger.fixed_point import Judgement, Rules, Settled, Settling, Verdict
from logger.reading import State
from logger.sensors import Sensor
from logger.tolerance import CLASS_NAMES

#: What to prepare at each point.
PREPARE: Mapping[str, tuple[str, ...]] = {
    "ice": (
        "Fill an insulated vessel (a vacuum flask) with crushed ice, then with clean cold water up to just below the "
        "ice's top; ice must reach the bottom. Pour water off and add ice when the ice floats.",
        "Put the tip into the middle, 10 cm deep and away from the walls, and stir all the time.",
    ),
    "boiling": (
        "Let clean water boil hard in an open pot: large bubbles over the whole surface.",
        "Hold the tip 2 to 3 cm under the surface, touching neither bottom nor wall.",
    ),
}
CAUTION = (
    "Boiling water and steam scald: wear gloves and eye protection, use a pot that cannot tip, keep the cable clear "
    "of flame and plate, and come from the side, not over the steam."
)
#: Further off than this, a sensor is not inexact: something is wrong.
_FAR_K = 10.0
_CAUSES: Mapping[State, str] = {
    State.OPEN: "a wire is broken or a plug is loose",
    State.SHORT: "the wires touch each other or the sheath",
    State.OUT_OF_RANGE: "its voltage fits no temperature: are the two wires swapped, or is the type wrong?",
    State.NOT_MEASURABLE: "its voltage is too small to tell a temperature",
    State.FAULT: "the device reports a fault of its own",
    State.MISSING: "nothing arrives: check cable and device",
}


def settling_line(stand: Settled) -> str:
    """How the readings stand, in a line."""
    if stand.state is not State.OK:
        return f"{stand.waited_s:4.0f} s  no reading: {stand.state}"
    if stand.mean_c != stand.mean_c:
        return f"{stand.waited_s:4.0f} s  {stand.how}, {stand.count} readings so far"
    return (
        f"{stand.waited_s:4.0f} s  {stand.how}: {stand.mean_c:.2f} °C, drift {stand.drift_k:+.2f} K, "
        f"scatter {stand.scatter_k:.2f} K"
    )


def verdict_lines(settled: Settled, judgement: Judgement | None, sensor: Sensor, rules: Rules) -> list[str]:
    """What a point says about the sensor, in plain words."""
    if judgement is None:
        return [_no_verdict(settled, rules)]
    deviation_k, limit_k = judgement.deviation_k, judgement.limit_k
    name = CLASS_NAMES[sensor.tolerance_class]
    lines = [
        f"It shows {settled.mean_c:.2f} °C: {abs(deviation_k):.2f} K too {'high' if deviation_k > 0.0 else 'low'} "
        f"(± {judgement.uncertainty_k:.2f} K, 95 %, from bath, pressure and scatter)."
    ]
    if judgement.verdict is Verdict.WITHIN:
        lines.append(f"WITHIN {name}, which allows ± {limit_k:.2f} K here.")
    elif judgement.verdict is Verdict.OUTSIDE:
        lines.append(f"OUTSIDE {name}, which allows ± {limit_k:.2f} K here: do not use this sensor for a cue.")
    elif judgement.verdict is Verdict.UNDECIDED:
        lines.append(
            f"UNDECIDED: {name} allows ± {limit_k:.2f} K here, and that is nearer than this check is sure. A better "
            "bath, a barometer in the room or steadier readings decide it."
        )
    else:
        lines.append(f"NO LIMIT: {name} says nothing at {judgement.point.expected_c:.0f} °C; the deviation is noted.")
    if abs(deviation_k) > _FAR_K:
        lines.append(
            "So far off, the sensor is not inexact, something is wrong: is the tip in the bath, is the type set right, "
            "are the two wires swapped, is the extension wire of the same type?"
        )
    return lines


def _no_verdict(settled: Settled, rules: Rules) -> str:
    if settled.how is Settling.NO_READING:
        cause = _CAUSES.get(settled.state, "see the device")
        return f"NO READING, no verdict: {settled.state} - {cause}. Mend it and check again."
    drift = "" if settled.drift_k != settled.drift_k else f"drift {settled.drift_k:+.2f} K, "
    scatter = "too few readings" if settled.scatter_k != settled.scatter_k else f"scatter {settled.scatter_k:.2f} K"
    return (
        f"NOT SETTLED, no verdict: {drift}{scatter}, where {rules.most_drift_k:g} K and {rules.most_scatter_k:g} K are "
        "allowed. Stir more, keep the tip off the walls, look for a loose contact, and check again."
    )
