"""Coordinates inside what people write: found by how they look, since no table lists them."""

import re
from typing import Final

#: What stands where a place was.
PLACE: Final = "(place)"

_MINUS: Final = "\N{MINUS SIGN}"
#: A coordinate in decimal degrees; from two decimals on (a kilometre) it leads to a driver, own choice.
_DEGREES: Final = rf"[-+{_MINUS}]?\d{{1,3}}\.\d{{2,}}(?!\d)"
_GAP: Final = r"(?:\s*[,;]\s*|\s+)"
#: No part of a longer number, date or word stands before.
_BEGINS: Final = rf"(?<![\w.])(?<![\w.][-+{_MINUS}])"
_PAIR: Final = re.compile(rf"{_BEGINS}({_DEGREES})\s?°?{_GAP}({_DEGREES})\s?°?(?!\.?\w)")
#: What follows two lengths, pressures or forces that somebody measured.
_UNIT: Final = re.compile(r"\s*(?:mm|cm|k?m|ft|bar|[kM]?Pa|psi|k?N|kg|lbf?|t|s|h|m/s|%)(?!\w)")
_MINUTES: Final = r"(?:\s?\d{1,2}(?:\.\d+)?\s?['\u2032\u2019])?"
_SECONDS: Final = r"(?:\s?\d{1,2}(?:\.\d+)?\s?(?:''|[\"\u2033\u201d]))?"
_PART: Final = rf"\d{{1,3}}(?:\.\d+)?(?:\s?°)?{_MINUTES}{_SECONDS}"
_HEMISPHERES: Final = re.compile(
    rf"{_BEGINS}(?:{_PART}\s?[NS]{_GAP}?{_PART}\s?[EW]|[NS]\s?{_PART}{_GAP}?[EW]\s?{_PART})(?!\w)"
)
_NUMBER: Final = rf"\W{{0,3}}?[-+{_MINUS}]?\d{{1,3}}(?:\.\d+)?\s?°?"
_LABELLED: Final = re.compile(
    rf"(?<![^\W_])lat(?:itude)?(?:_deg)?{_NUMBER}[\s,;]{{0,3}}(?:lng|long?(?:itude)?)(?:_deg)?{_NUMBER}", re.IGNORECASE
)


def without_places(text: str) -> str:
    """The text with :data:`PLACE` for whatever looks like coordinates: two decimal degrees beside each other, degrees
    with N, S, E, W, and numbers called latitude and longitude. For what people write: our own figures have units."""
    if not any(map(str.isdigit, text)):
        return text
    return _PAIR.sub(_of_pair, _HEMISPHERES.sub(_of_hemispheres, _LABELLED.sub(PLACE, text)))


def _of_pair(found: re.Match[str]) -> str:
    low, high = sorted(abs(float(part.replace(_MINUS, "-"))) for part in found.groups())
    measured = _UNIT.match(found.string, found.end())
    return found[0] if low > 90.0 or high > 180.0 or measured else PLACE


def _of_hemispheres(found: re.Match[str]) -> str:
    return PLACE if "." in found[0] or "°" in found[0] else found[0]
