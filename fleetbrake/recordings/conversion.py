"""Units at the edge: from what a recording uses to the contract's SI, by Pint. Nothing inside knows Pint."""

import re
from functools import cache
from typing import Any

#: Short forms that people write and Pint reads otherwise or not at all.
_ALIASES = {"1": "dimensionless", "": "dimensionless", "km/h": "kilometer/hour"}


class UnitProblem(ValueError):
    """A unit that cannot be read or does not fit the column; the text is a clause for a sentence."""


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def _unit(text: str) -> Any:
    import pint

    plain = _ALIASES.get(text.strip(), text.strip())
    plain = re.sub(r"(?<=[a-z])([23])\b", r"**\1", plain)  # "m/s2" as most people write it
    try:
        return _registry().Unit(plain)
    except (pint.errors.PintError, ValueError, TypeError, AttributeError, SyntaxError) as error:
        raise UnitProblem(f"unit {text!r} is not known") from error


@cache
def linear(unit: str, target: str, rolling_radius_m: float | None = None) -> tuple[float, float]:
    """Factor and offset that take a value in ``unit`` to ``target``: ``value * factor + offset``.

    An angular speed (rad/s, rpm ...) becomes a wheel's circumferential speed with ``rolling_radius_m``.

    Raises
    ------
    UnitProblem
        If the unit is unknown, does not measure the same thing, or an angular speed comes without radius.
    """
    import pint

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
    except pint.errors.PintError as error:
        hint = " (the acceleration of free fall is 'g_0')" if unit.strip() == "g" else ""
        raise UnitProblem(f"unit {unit!r} cannot become {target}{hint}") from error
    return one - zero, zero
