"""Method and limits of the month's PDF: half a page, with the thresholds and standards that the code itself uses."""

import re
from typing import Final

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.vocabulary import NOT_SEEN
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.monthly.month_pdf_parts import Part

_RULES = Criteria()
#: The space between a figure and its unit, a standard and its number: no line ends there.
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|s\b|m/s|ft/s|km\b|mi\b|km/h|mph))|(?<=CFR) |(?<=FMVSS) ")


def method(measures: Measures) -> list[Part]:
    """Paragraphs with their heads, in the units of reading."""
    told = (("Words", _words()), ("Rates and intervals", _rates()), ("Scores", _scores()), ("Brake work", _work()))
    limits = (("Standards", _standards()), ("Limits", _limits()))
    said = ((head, in_units(measures, text)) for head, text in (*told, *limits))
    return [{"head": head, "text": _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)} for head, text in said]


def _words() -> str:
    return (
        "A brake application runs from the first movement of the demand to its release or standstill. A hard stop has "
        f"a peak deceleration (greatest {_RULES.peak_window_s} s mean) of {_RULES.hard_stop_light_mps2} m/s² or more "
        f"in categories M1 and N1, of {_RULES.hard_stop_heavy_mps2} m/s² in the others, whatever the demand. Anti-lock "
        "modulation is two or more release-and-rebuild cycles of one wheel. A lockup is a wheel turning at under "
        f"{100 * _RULES.lock_ratio:.0f} % of the vehicle's speed; this report counts only those above the speed below "
        "which anti-lock control lets go: below it a locked wheel is normal, and on loose ground it can stop a vehicle "
        "shorter at any speed, so that lockups there are counted apart."
    )


def _rates() -> str:
    return (
        "Rates are events per 1000 km over the part of the trips' distance on which the class could have been "
        "observed; a surface's rate is over that of the whole fleet, so that surfaces add up. All intervals are exact "
        "90 % ones (Poisson for rates and their ratios, binomial for shares). They know chance only, as if no event "
        "brought another one. What a recording cannot show counts as not observed, never as good."
    )


def _scores() -> str:
    return (
        "The health score runs from 0 to 100, 100 meaning that nothing was found; eight indicators compare a vehicle "
        "with its own past and its peers, and the interval says how far the evidence reaches. What people report or "
        "find, failed tests and a lit warning lamp leave the score as it is and raise the priority to what they ask "
        "for: before the next trip what is dangerous or failed a test, this week a major finding, at the next service "
        "a major report, watch a minor one or a lamp. Predictions are held against inspections with what was known "
        "before them only. A driver's adjusted rate takes vehicle, surface and exposure out; the fewer the events, the "
        "more it rests on the other drivers."
    )


def _work() -> str:
    return (
        "Energy is what the vehicle lost in motion and height. The friction brakes' part is what recuperation, "
        "retarder, engine, rolling and air drag leave; its standard error holds the doubt of mass, drag and grade, and "
        "is added up as it stands, since vehicles share those doubts."
    )


def _standards() -> str:
    return (
        "Mean fully developed deceleration, in the tables beside this report: UN Regulations 13 (Annex 4) and 13-H. "
        f"A lockup lasts {_RULES.least_lockup_s} s or longer, and the cut-off speed is "
        f"{_RULES.cutoff_speed_mps * 3.6:.0f} km/h where the register gives none: FMVSS 135 (49 CFR 571.135). Lockups "
        "that a vehicle without anti-lock control may have: FMVSS 105, 121 and 135. Times in which brakes must answer "
        "and release: FMVSS 121 (49 CFR 571.121). Evidence of at most a year counts, the period of the periodic "
        "inspection of 49 CFR 396.17."
    )


def _limits() -> str:
    return (
        f"{NOT_SEEN} Only what is recorded is judged: vehicles, trips and days without recordings are in no figure. "
        "Loads, tyres, roads and weather that no channel tells remain in the figures. Where inspections go by the "
        "list, the hit rate speaks of the vehicles inspected, not of the fleet. A driver's report, a warning lamp or a "
        "failed check means more than any score, wherever it puts the vehicle in the list; no score clears a vehicle."
    )
