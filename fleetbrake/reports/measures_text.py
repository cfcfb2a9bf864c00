"""Sentences of the tables in the units of whoever reads: figures that we ourselves wrote, found by their units.

The tables' sentences are metric. Only figures with a unit, and those that a sentence of ours sets beside one ("usual is
2.4", "adjusted 3.1 (2.2 to 4.5)"), are changed; numbers without one (events, per cent, days, seconds) stay.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from fleetbrake.reports.measures import Measures, System

#: Sign in a sentence -> quantity of :mod:`fleetbrake.reports.measures` and what one of it is in the table's unit.
_SIGNS: Final = {
    "km/h": ("speed", 1 / 3.6),
    "m/s²": ("decel", 1.0),
    "m/s2": ("decel", 1.0),
    "m/s³": ("jerk", 1.0),
    "m/s3": ("jerk", 1.0),
    "m/s": ("speed", 1.0),
    "kJ/km": ("energy_per_distance", 1.0),
    "kJ": ("energy", 1.0),
    "km": ("distance", 1.0),
    "kPa": ("pressure", 1.0),
    "kg": ("mass", 1.0),
    "N": ("force", 1.0),
    "°C": ("temperature", 1.0),
    "m": ("length", 1.0),
}
_NUMBER = r"[-−]?\d+(?:,\d{3})*(?:\.\d+)?"
_SIGN = "|".join(map(re.escape, sorted(_SIGNS, key=len, reverse=True)))
#: No figure begins or ends inside a word or a longer number, as identifiers have them.
_BEFORE, _AFTER = r"(?<![\w.,/-])", r"(?![\w/²³-])"

#: A figure, or several in front of one sign: "3 m", "0.4 to 0.8 m/s²", "1,000 of 4,000 km".
_PAIR = re.compile(rf"{_BEFORE}(?P<n>{_NUMBER}(?:(?: to | of | and )(?:{_NUMBER}))*) (?P<sign>{_SIGN}){_AFTER}")
#: What is usual, said after a figure with its sign: "up to 4.5 m/s², usual is 1.8".
_USUAL = re.compile(
    rf"(?P<sign>{_SIGN})(?P<gap>[^.%;]*;? ?usual is )(?P<n>{_NUMBER})(?! ?%)(?!\.?\d)(?! ?(?:{_SIGN}){_AFTER})"
)
#: Rates: "3.9 hard stops a 1000 km", "2.0 per 1000 km", and the label alone.
_RATE = re.compile(rf"{_BEFORE}(?P<n>{_NUMBER})(?P<gap>(?: hard stops?)? (?:a|per) )1000 km{_AFTER}")
_LABEL = re.compile(rf"\b(?:a|per) (?P<label>1000 km){_AFTER}")
#: Sentences of ours that name the distance once and set further rates beside it.
_RATES_BESIDE = (
    re.compile(
        rf"^Counted {_NUMBER} a 1000 km, adjusted (?P<a>{_NUMBER}) \((?P<b>{_NUMBER}) to (?P<c>{_NUMBER})\)\. "
        rf"In the same vehicles and conditions an average driver would have had (?P<d>{_NUMBER}), "
        rf"in the fleet as a whole (?P<e>{_NUMBER})(?=:)"
    ),
    re.compile(rf" hard stops a 1000 km; an average driver has (?P<a>{_NUMBER})(?=\.$|\. |$)"),
)


@dataclass(frozen=True)
class _Change:
    start: int
    stop: int
    text: str


def in_units(measures: Measures, sentence: str) -> str:
    """The sentence with our metric figures in the units of ``measures``; as it is for metric ones.

    Digits behind the point stay as many as they were. Only for sentences that this program wrote: in foreign text a
    number with a unit would be changed as well.
    """
    if measures.system is System.METRIC:
        return sentence
    changes: list[_Change] = []
    for rule in (_rates_beside, _rates, _labels, _usual, _pairs):
        taken = [(c.start, c.stop) for c in changes]
        changes += [c for c in rule(measures, sentence) if not any(c.start < b and a < c.stop for a, b in taken)]
    out, place = [], 0
    for change in sorted(changes, key=lambda c: c.start):
        out += [sentence[place : change.start], change.text]
        place = change.stop
    return "".join(out) + sentence[place:]


def _rates_beside(measures: Measures, sentence: str) -> Iterator[_Change]:
    for form in _RATES_BESIDE:
        for found in form.finditer(sentence):
            for name in found.groupdict():
                changed = _figure(measures, "per_distance", 1.0, found[name])
                yield _Change(*found.span(name), changed)


def _rates(measures: Measures, sentence: str) -> Iterator[_Change]:
    for found in _RATE.finditer(sentence):
        changed = _figure(measures, "per_distance", 1.0, found["n"])
        yield _Change(*found.span(), f"{changed}{found['gap']}{_thousand(measures)}")


def _labels(measures: Measures, sentence: str) -> Iterator[_Change]:
    for found in _LABEL.finditer(sentence):
        yield _Change(*found.span("label"), _thousand(measures))


def _usual(measures: Measures, sentence: str) -> Iterator[_Change]:
    for found in _USUAL.finditer(sentence):
        quantity, one = _SIGNS[found["sign"]]
        yield _Change(*found.span("n"), _figure(measures, quantity, one, found["n"]))


def _pairs(measures: Measures, sentence: str) -> Iterator[_Change]:
    for found in _PAIR.finditer(sentence):
        quantity, one = _SIGNS[found["sign"]]
        figures = re.sub(_NUMBER, lambda m, q=quantity, o=one: _figure(measures, q, o, m[0]), found["n"])  # type: ignore[misc]
        yield _Change(*found.span(), f"{figures} {measures.label(quantity)}")


def _thousand(measures: Measures) -> str:
    """The distance that rates are told for: ``1000 mi``."""
    return measures.label("per_distance").removeprefix("per ")


def _figure(measures: Measures, quantity: str, one: float, figure: str) -> str:
    """One figure converted, with as many digits behind the point and thousands apart where they were."""
    digits = len(figure.partition(".")[2])
    value = measures.of(quantity, float(figure.replace(",", "").replace("−", "-")) * one)
    return f"{value:,.{digits}f}" if "," in figure else f"{value:.{digits}f}"
