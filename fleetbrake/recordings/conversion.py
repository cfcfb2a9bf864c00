"""Units at the edge: from what a recording uses to the contract's SI, by Pint. Nothing inside knows Pint."""

import math
import re
from functools import cache
from typing import Any

from fleetbrake.recordings.story import shown_id

#: Short forms that people write and Pint reads otherwise or not at all.
_ALIASES = {"1": "dimensionless", "": "dimensionless", "km/h": "kilometer/hour"}
#: Characters of the longest unit anybody writes.
_LONGEST_UNIT = 40


class UnitProblem(ValueError):
    """A unit that cannot be read or does not fit the column; the text is a clause for a sentence."""


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def _unit(text: str) -> Any:
    plain = _ALIASES.get(text.strip(), text.strip())
    if not _plain_unit(plain):
        raise UnitProblem(f"unit {shown_id(text, 40)!r} is not known")
    plain = re.sub(r"(?<=[a-z])([23])\b", r"**\1", plain)  # "m/s2" as most people write it
    try:
        return _registry().Unit(plain)
    except Exception as error:  # Pint reads a unit as an expression, and fails in as many ways
        raise UnitProblem(f"unit {shown_id(text, 40)!r} is not known") from error


def _plain_unit(text: str) -> bool:
    """Whether a text is names of units with ``* / ^ **``, brackets and small powers, and no arithmetic.

    Pint would work out any number that stands in a unit, however long that takes.
    """
    if len(text) > _LONGEST_UNIT or not re.fullmatch(r"[\w\s°%µ/*^·()²³-]*", text):
        return False
    named = re.sub(r"[^\W\d]\w*", "u", text)
    without_powers = re.sub(r"u\s*(\*\*|\^)\s*-?[1-9](?!\d|\s*(\*\*|\^))", "u", named)
    without_one = re.sub(r"(^|(?<=[(/*]))\s*1\s*(?=/)", "", without_powers)
    return not re.search(r"\d|\^|\*\*", without_one) and not re.search(r"[²³]{2}", text)


@cache
def linear(unit: str, target: str, rolling_radius_m: float | None = None) -> tuple[float, float]:
    """Factor and offset that take a value in ``unit`` to ``target``: ``value * factor + offset``.

    An angular speed (rad/s, rpm ...) becomes a wheel's circumferential speed with ``rolling_radius_m``.

    Raises
    ------
    UnitProblem
        If the unit is unknown, does not measure the same thing, or an angular speed comes without radius.
    """
    source, wanted = _unit(unit), _unit(target)
    registry = _registry()
    if wanted.is_compatible_with("m/s") and source.is_compatible_with("rad/s"):
        if rolling_radius_m is None:
            raise UnitProblem(f"unit {unit!r} is an angular speed: rolling_radius_m is needed too")
        factor = float(registry.Quantity(1.0, source).to("rad/s").magnitude)
        return factor * rolling_radius_m, 0.0
    try:
        zero = float(registry.Quantity(0.0, source).to(wanted).magnitude)
        one = float(registry.Quantity(1.0, source).to(wanted).magnitude)
    except Exception as error:  # as above
        hint = " (the acceleration of free fall is 'g_0')" if unit.strip() == "g" else ""
        raise UnitProblem(f"unit {unit!r} cannot become {target}{hint}") from error
    if not (math.isfinite(one) and math.isfinite(zero)) or one == zero:
        raise UnitProblem(f"unit {unit!r} cannot become {target}")
    return one - zero, zero
