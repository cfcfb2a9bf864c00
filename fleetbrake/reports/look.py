"""Colours, marks and number formats that pages, charts and month files share.

Colour never speaks alone: every priority has a word and a mark of filled dots, every signal a label or a dash.
"""

from typing import Final

import pandas as pd

from fleetbrake.core.foreign_text import shortened
from fleetbrake.core.vocabulary import INDICATORS, PRIORITIES, PRIORITY_TEXT

#: How soon: one scale from light to dark, ordered by lightness alone, so that it survives any colour blindness.
HOW_SOON: Final = {
    "before_next_trip": "#3b1c54",
    "this_week": "#84347c",
    "next_service": "#c9607e",
    "watch": "#e9a389",
    "no_sign": "#d9dde0",
    "too_little_evidence": "#f3f4f5",
}

#: How many of four dots are filled; the last two priorities have marks of their own.
SOON_DOTS: Final = {
    "before_next_trip": "●●●●",
    "this_week": "●●●○",
    "next_service": "●●○○",
    "watch": "●○○○",
    "no_sign": "○○○○",
    "too_little_evidence": "?",
}

#: Signals: one hue an axle (told apart by the common forms of colour blindness), dashes for the right side.
AXLE_COLOURS: Final = ("#0b6e99", "#c8641b", "#3f8f5f", "#8a5aa8", "#9a8118", "#56707f")
VEHICLE_COLOUR: Final = "#1f2a33"
LOCKUP_COLOUR: Final = "#a11d33"
MODULATION_COLOUR: Final = "#e3b23c"
PLAIN_COLOUR: Final = "#7d8b96"
INK: Final = "#1f2a33"
QUIET: Final = "#5b6873"
LINE: Final = "#d8dee3"

#: Deviation of an indicator: from paper white to dark blue-green.
DEVIATION_RANGE: Final = ("#eef3f4", "#9cc3c6", "#3f8790", "#0d4a57")
#: Deviations from here up are drawn in the darkest colour (standard errors).
DEVIATION_FULL: Final = 6.0

MISSING: Final = "–"

SURFACE_TEXT: Final = {
    "dry_paved": "dry paved",
    "wet_paved": "wet paved",
    "snow_or_ice": "snow or ice",
    "loose": "loose",
    "split": "grip differs by side",
    "unknown": "unknown",
}

#: What an event shows, strongest first: word, mark for charts, colour.
EVENT_SHOWS: Final = (
    ("locked above cut-off", "square", LOCKUP_COLOUR),
    ("anti-lock at work", "triangle-up", "#b07d12"),
    ("hard stop", "diamond", "#3b1c54"),
    ("ordinary", "circle", PLAIN_COLOUR),
    ("not known", "cross", "#9aa5ad"),
)
#: Columns of the first three of them, in their order.
EVENT_CLASSES: Final = ("lockup_above_cutoff", "modulation", "hard_stop")


#: Spans of an event: kind -> word, fill, outline, dash of the outline. Told apart in grey by fill, dash and place too.
SPAN_LOOKS: Final = {
    "lockup": ("wheel locked", LOCKUP_COLOUR, LOCKUP_COLOUR, (1, 0)),
    "near_miss": ("caught before it locked", "#ffffff", LOCKUP_COLOUR, (1, 0)),
    "modulation": ("anti-lock modulation", MODULATION_COLOUR, "#8a6510", (1, 0)),
    "lost": ("wheel signal lost", "#ffffff", "#3a4650", (2, 2)),
    "unknown": ("speed not known", "#c9d1d7", "#3a4650", (6, 3)),
}


def number(value: object, digits: int = 1) -> str:
    """The number with so many digits, or a dash where it could not be observed."""
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return MISSING
    return f"{float(value):,.{digits}f}"  # type: ignore[arg-type]


def whole(value: object) -> str:
    """The whole number, thousands apart, or a dash."""
    return number(value, 0)


def text(value: object) -> str:
    """The text, or a dash where there is none."""
    return value if isinstance(value, str) and value else MISSING


#: Letters of a foreign text that a list shows; own choice: two lines of a row.
MOST_LETTERS: Final = 120


def clipped(value: object, most: int = MOST_LETTERS) -> str:
    """The text in at most ``most`` letters, with ``…`` in its middle where it has more; a dash where there is none."""
    return shortened(text(value), most)


def yes_no(value: object) -> str:
    """``yes``, ``no``, or ``could not be observed``."""
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return "could not be observed"
    return "yes" if value else "no"


def day(value: object) -> str:
    """A date as 28 Jan 2026, or a dash."""
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return MISSING
    stamp = pd.Timestamp(value)  # type: ignore[arg-type]
    return f"{stamp.day} {stamp:%b %Y}"


def moment(value: object) -> str:
    """A time as 28 Jan 2026 14:05:09 UTC, or a dash."""
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return MISSING
    stamp = pd.Timestamp(value)  # type: ignore[arg-type]
    return f"{stamp.day} {stamp:%b %Y %H:%M:%S} UTC"


def in_file_name(text: str, most: int = 60) -> str:
    """A foreign text as part of a file's name: letters, digits and ``_`` stay, else one ``-``."""
    words = "".join(one if one.isalnum() or one == "_" else " " for one in text).split()
    return "-".join(words)[:most].strip("-") or "unnamed"


def score(value: object, low: object, high: object) -> str:
    """A score with its interval: ``42 (31 to 55)``, small ones with a digit more; a dash with too little evidence."""
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return MISSING
    digits = 1 if float(value) < 10.0 else 0  # type: ignore[arg-type]
    return f"{number(value, digits)} ({number(low, digits)} to {number(high, digits)})"


def priority_text(code: object) -> str:
    """The words for a priority; an unknown code stands for itself."""
    return PRIORITY_TEXT.get(str(code), text(code))


def priority_mark(code: object) -> str:
    """Dots and words: ``●●●○ this week``."""
    return f"{SOON_DOTS.get(str(code), '')} {priority_text(code)}".strip()


def indicator_text(code: object) -> str:
    """What the indicator says in plain words; an unknown code stands for itself."""
    return INDICATORS.get(str(code), text(code))


def event_shows(events: pd.DataFrame) -> pd.Series:
    """The strongest thing that each event shows: a word of :data:`EVENT_SHOWS`.

    A lock at the very end of a stop, under the cut-off speed, is normal and no reason to mark the event. One of which
    lockup, modulation or hard stop could not be told is ``not known``, never ``ordinary``.
    """
    words = [word for word, _, _ in EVENT_SHOWS]
    told = events[["lockup_above_cutoff", "modulation", "hard_stop"]].astype("boolean")
    shows = pd.Series(words[3], index=events.index, dtype=object)
    shows[told.isna().any(axis=1)] = words[4]
    for column, word in (("hard_stop", words[2]), ("modulation", words[1]), ("lockup_above_cutoff", words[0])):
        shows[told[column].fillna(False)] = word
    return shows


#: Priorities as words, most urgent first, with their colours: the order of every legend.
PRIORITY_WORDS: Final = tuple(PRIORITY_TEXT[p] for p in PRIORITIES)
PRIORITY_COLOURS: Final = tuple(HOW_SOON[p] for p in PRIORITIES)
