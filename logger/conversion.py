"""From the values of one frame to samples of roles: which thermocouple it is, its voltage as °C, its correction."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from logger.bench import Bench, Role, unknown_channels
from logger.quality import Sample
from logger.reading import State, Value
from logger.sensors import Correction, Register
from logger.thermocouple import temperature_c
from thermal.fields import InputError

_NO_TYPE = 'the thermocouple\'s type is not known: add thermocouple = "K" (or its own) to the role'


def type_of(role: Role, announced: str, registered: str) -> str:
    """The one type by which a role's voltage becomes a temperature.

    The register speaks of the very sensor, so nobody may contradict it. Without it the bench file wins over the board.

    Args:
        role: its `thermocouple` is what the bench file says. announced: what the board says of the channel.
        registered: what the register says of the role's sensor. Each '' where it says nothing.

    Returns:
        The type's letter, '' where nobody says any.

    Raises:
        InputError: the bench file or the board says another type than the register.
    """
    if registered and role.thermocouple not in ("", registered):
        raise InputError(
            f"role.{role.name}.thermocouple = {role.thermocouple!r}: expected {registered!r}, the type of sensor "
            f"{role.serial} in the register; look at the plug's colour and correct the wrong one"
        )
    if registered and announced not in ("", registered):
        raise InputError(
            f"role {role.name}: the board says type {announced}, the register type {registered} for sensor "
            f"{role.serial}, so no temperature is made of its voltage: look at the plug's colour and correct the "
            "wrong one"
        )
    return role.thermocouple or registered or announced


class Converter:
    """Makes samples of values by a shop's register.

    Args:
        roles: all that will be asked for.

    Raises:
        InputError: a role names a sensor that is not in the register, or is there with another type.
    """

    def __init__(self, roles: Iterable[Role], register: Register) -> None:
        self._registered: dict[str, str] = {}
        self._corrections: dict[str, Correction] = {}
        for role in roles:
            if not role.serial:
                continue
            self._registered[role.name] = register.must_have(role.serial).type
            type_of(role, "", self._registered[role.name])
            if (correction := register.correction(role.serial)) is not None:
                self._corrections[role.name] = correction

    def note(self, role: Role, announced: str) -> str:
        """What a person should know of the types that are said of a role; '' where they agree."""
        try:
            used = type_of(role, announced, self._registered.get(role.name, ""))
        except InputError as error:
            return str(error)
        if announced in ("", used):
            return ""
        return (
            f"role {role.name}: the bench file says type {used}, the board type {announced}: the bench file's is used; "
            "look at the plug's colour and correct the wrong one"
        )

    def samples(
        self, roles: Sequence[Role], values: Mapping[str, Value], announced: Callable[[Role], str]
    ) -> dict[str, Sample]:
        """Samples by role.

        Args:
            roles: of one source. values: of its frame, by channel. announced: the type its board says, '' for none.
        """
        samples: dict[str, Sample] = {}
        emf: dict[str, list[tuple[Role, Value]]] = {}
        for role in roles:
            value = values.get(role.channel)
            if value is None:
                (words,) = unknown_channels(Bench("", "", roles=(role,)), role.source, values)
                samples[role.name] = Sample(None, State.MISSING, text=words)
            elif value.unit == "uV" and role.unit == "C":
                try:
                    kind = type_of(role, announced(role), self._registered.get(role.name, ""))
                except InputError as error:
                    samples[role.name] = Sample(None, State.FAULT, text=str(error))
                else:
                    emf.setdefault(kind, []).append((role, value))
            elif value.unit != role.unit:
                words = f"the channel is in {value.unit}, the role wants {role.unit}: correct the bench file"
                samples[role.name] = Sample(None, State.FAULT, text=words)
            else:
                samples[role.name] = Sample(self._corrected(role, value.value), value.state, value.value)
        for kind, pairs in emf.items():
            samples |= self._converted(kind, pairs)
        return samples

    def _converted(self, kind: str, pairs: Sequence[tuple[Role, Value]]) -> dict[str, Sample]:
        """Thermocouples of one type, all at once."""
        if not kind:
            return {role.name: Sample(None, State.FAULT, text=_NO_TYPE) for role, _ in pairs}
        nothing = float("nan")
        measured = [nothing if value.value is None else value.value for _, value in pairs]
        junction = [nothing if value.cold_junction_c is None else value.cold_junction_c for _, value in pairs]
        converted = temperature_c(kind, measured, junction)
        samples = {}
        for (role, value), celsius, state in zip(pairs, converted.value.tolist(), converted.state, strict=True):
            if value.value is None or value.state is not State.OK:
                samples[role.name] = Sample(None, value.state if value.state is not State.OK else State.MISSING)
            elif state is not State.OK:
                samples[role.name] = Sample(None, state)
            else:
                true_c = self._corrected(role, celsius)
                samples[role.name] = Sample(true_c, State.OK, value.value, value.cold_junction_c)
        return samples

    def _corrected(self, role: Role, value: float | None) -> float | None:
        correction = self._corrections.get(role.name)
        return value if value is None or correction is None else float(correction.corrected_c(value))
