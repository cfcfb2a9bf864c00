"""The blocks of a vehicle's sheet in words: who it is, where it stands, what to look at first, what else is known."""

from typing import Any, Final

import pandas as pd

from fleetbrake.core.vocabulary import INDICATORS, MAX_AXLES, WHEELS, wheel_words
from fleetbrake.planning.hours import as_hours, indicator_minutes
from fleetbrake.planning.wish_types import Flag
from fleetbrake.reports import findings, look, reads
from fleetbrake.reports.history_reads import last_inspection_on
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.measures_text import in_units
from fleetbrake.reports.sheets.axles import axle_count, axle_numbers, front_word
from fleetbrake.reports.sheets.vehicle_sheet_events import showed
from fleetbrake.reports.sheets.vehicle_sheet_reads import SheetFacts

Row = dict[Any, Any]

#: Letters of one foreign text and of an id in a table, so that a line stays a line or two (own choice).
MOST_LETTERS, MOST_ID = 150, 44
#: Rows of each list; the sheet says how many more there are.
MOST_EVENTS, MOST_OTHERS, MOST_ROWS = 5, 5, 6

#: Rates of what is recorded, as the sheet names them.
_RATES: Final = (
    ("rows", "sample_rate_hz"), ("wheels", "wheel_rate_hz"), ("speed", "speed_rate_hz"), ("demand", "demand_rate_hz"),
)  # fmt: skip

#: Before anybody works on a brake; common practice, no source: the maker's instructions and the workshop's rules hold.
WORK_CAUTIONS: Final = (
    "Chock the wheels before a brake is released; stands, never a jack alone, carry the vehicle.",
    "Discs, drums, tyres and retarder may be hot.",
    "Brake dust: no compressed air and no dry brush; wet it or use a filtered vacuum.",
)
#: The same by what works the brakes.
ACTUATION_CAUTIONS: Final = {
    "air": "Air: spring brakes hold energy without air; secure the spring and let the pressure off before opening.",
    "hydraulic": "Hydraulics: a pressure store or by-wire unit may act by itself; let the pressure off first.",
    "electromechanical": "Electric actuators may move by themselves: take them off power as the maker says.",
}


def clipped(value: object, most: int = MOST_LETTERS) -> str:
    """Foreign text on one line, cut with ``…``; a dash where there is none."""
    return look.clipped(" ".join(value.split()) if isinstance(value, str) else value, most)


def identity(row: Row, measures: Measures) -> str:
    """What the registers know of the vehicle, in a line."""
    if not row["known"]:
        known = [clipped(row[name]) for name in ("depot", "category") if row[name]]
        return " · ".join([*known, "not in the register of vehicles: axles, actuation and dates are unknown"])
    fitted = {True: "anti-lock control fitted", False: "no anti-lock control"}
    parts = [
        clipped(row["depot"], MOST_ID) if row["depot"] else "depot unknown",
        f"category {clipped(row['category'], MOST_ID)}" if row["category"] else "category unknown",
        f"{row['axles']} axle{'s' if row['axles'] != 1 else ''}" if row["axles"] is not None else "axles unknown",
        f"{clipped(row['actuation'], MOST_ID).replace('_', ' ')} brakes" if row["actuation"] else "actuation unknown",
        f"largest mass {measures.text('mass', row['max_mass_kg'])}" if row["max_mass_kg"] is not None else "",
        fitted.get(row["abs_fitted"], ""),
        f"in service since {look.day(row['in_service_on'])}" if row["in_service_on"] else "",
    ]
    return " · ".join(filter(None, parts))


def figures(facts: SheetFacts, measures: Measures) -> list[dict[str, str]]:
    """Name, value and a line under it of what stands beside each other at the top."""
    row = facts.row
    rank = f"{look.whole(row['rank'])} of {look.whole(row['ranked'])}" if row["rank"] else "none"
    tested = f"roller test {look.day(row['roller_tested_on'])}" if row["roller_tested_on"] else "no roller test on file"
    day, note = _visit(row)
    hours, parts = _hours(facts)
    due = _dues(facts)
    shown = (
        ("Place on the list", rank, "1 = inspect first" if row["rank"] else ""),
        ("Health score, of 100", look.score(row["health_score"], row["score_low"], row["score_high"]), _scored(row)),
        ("In the workshop", day, note),
        ("Suggested hours", hours, parts),
        ("Due next", due[0], due[1]),
        ("Last inspection", look.day(last_inspection_on(row["last_inspection_on"], facts.history)), tested),
        ("Odometer", measures.text("distance", row["odometer_km"]), _since_test(row, measures)),
        ("Recorded", *_recorded(row)),
    )
    return [{"name": name, "value": value, "more": clipped(more, 70) if more else ""} for name, value, more in shown]


def _scored(row: Row) -> str:
    if row["health_score"] is None:
        return "too little evidence is not a good sign" if row["priority"] else ""
    return f"100 = nothing found; {look.day(row['as_of'])}"


def _visit(row: Row) -> tuple[str, str]:
    if row["planned_on"]:
        extras = [word for name, word in (("fixed", "date fixed"), ("drawn", "drawn by lot")) if row[name]]
        return look.day(row["planned_on"]), ", ".join(extras)
    if row["held_on"]:
        return f"hours kept on {look.day(row['held_on'])}", "before it goes on the road"
    if row["priority"] == "before_next_trip":
        return "before the next trip", "no hours are kept free"
    return ("no day found", "") if row["in_plan"] else ("not planned", "")


def _hours(facts: SheetFacts) -> tuple[str, str]:
    """Bay hours, and the parts on the roller tester and of an inspector: of the plan, else what the reason takes."""
    row = facts.row
    hours = (row["bay_hours"], row["roller_hours"], row["inspector_hours"])
    if row["bay_hours"] is None:
        code = row["leading_indicator"] or ("open_report" if row["open_report"] else None)
        if code is None:
            return look.MISSING, ""
        taken = indicator_minutes(str(code))
        hours = (as_hours(taken.bay), as_hours(taken.roller), as_hours(taken.inspector))
    bay, roller, inspector = (look.MISSING if value is None else f"{round(value, 2):g} h" for value in hours)
    tester = "no roller tester" if hours[1] == 0.0 else f"roller tester {roller}"
    return bay, f"{tester}, inspector {inspector}"


def _dues(facts: SheetFacts) -> tuple[str, str]:
    """The next statutory date, and the others in a line."""
    told = [
        f"{clipped(due['kind'], 24)} {look.day(due['due_on'])}{' (overdue)' if _overdue(due, facts.row) else ''}"
        for due in facts.dues.to_dict("records")
    ]
    return (told[0], "; ".join(told[1:3])) if told else ("no date known", "")


def _overdue(due: Row, row: Row) -> bool:
    return reads.overdue({"inspection_due_on": due["due_on"], "as_of": row["as_of"]})


def _since_test(row: Row, measures: Measures) -> str:
    km = row["km_since_roller_test"]
    return "" if km is None else f"{measures.text('distance', km)} since the roller test"


def _recorded(row: Row) -> tuple[str, str]:
    if not row["events"]:
        return "no application", ""
    said = f"{look.whole(row['events'])} applications"
    return said, f"{look.day(row['first_on'])} to {look.day(row['last_on'])}"


def headline(facts: SheetFacts) -> tuple[str, str]:
    """What to look at first, and where."""
    row, lead = facts.row, facts.lead
    if lead is not None:
        text = look.indicator_text(lead["indicator"])
        return text[:1].upper() + text[1:], wheel_words(lead["wheel"]) or "the whole vehicle"
    if row["leading_indicator"]:
        text = look.indicator_text(row["leading_indicator"])
        return text[:1].upper() + text[1:], wheel_words(row["suspect_wheel"]) or "the whole vehicle"
    if row["open_report"] or len(facts.open_reports):
        return "An open report or a lit warning lamp", "see below"
    if row["priority"] == "too_little_evidence" or row["priority"] is None:
        return "The recordings say too little of this vehicle", "look at all of its brakes"
    return "No sign was found in the recordings", "that clears no brake"


def reason(facts: SheetFacts, measures: Measures) -> str:
    """The reason as scored. Only where no foreign text is in it are its figures changed into other units."""
    row = facts.row
    if row["priority"] is None:
        return "This vehicle was not scored."
    said = reads.reason_of(row)
    return clipped(said if row["open_report"] else in_units(measures, said), 2 * MOST_LETTERS)


def lead_facts(lead: Row | None, row: Row) -> list[dict[str, str]]:
    """The figures of the finding, already in the reader's units."""
    if lead is None:
        return []
    seen = [f"{look.whole(lead['trips_seen'])} of {look.whole(lead['trips_used'])} trips"]
    seen = (seen if pd.notna(lead["trips_seen"]) else []) + [f"{look.whole(lead['events_used'])} events"]
    since = look.day(lead["first_seen_on"])
    if pd.notna(lead["first_seen_on"]) and row["first_on"] and lead["first_seen_on"] <= row["first_on"]:
        since += " or earlier"
    deviation = look.MISSING if pd.isna(lead["deviation"]) else f"{lead['deviation']:+.1f} standard errors"
    shown = (
        ("This vehicle shows", quantity(lead["value"], lead["unit"])),
        (f"Expected from {look.text(lead['basis'])}", quantity(lead["expected"], lead["unit"])),
        ("Deviation (under 2 is noise)", deviation),
        ("Seen on", ", ".join(seen)),
        ("Since", since),
        ("Less than this would not be seen", quantity(lead["detection_limit"], lead["unit"])),
    )
    return [{"name": name, "value": value} for name, value in shown]


def as_percent(unit: object) -> tuple[float, str]:
    """Factor and unit by which a figure is read: shares, slip and relative changes in per cent, others as they are."""
    if isinstance(unit, str) and unit.startswith(("share of ", "relative change ")):
        return 100.0, f"% {unit.removeprefix('share ').removeprefix('relative change ')}"
    return (100.0, "% slip") if unit == "slip" else (1.0, unit if isinstance(unit, str) and unit != "1" else "")


def quantity(value: object, unit: object) -> str:
    """A figure of a finding with its unit, three digits; a dash where there is none."""
    if pd.isna(value):  # type: ignore[call-overload]
        return look.MISSING
    factor, label = as_percent(unit)
    return f"{three(factor * float(value))} {label}".strip()  # type: ignore[arg-type]


def three(number: float) -> str:
    """Three digits without an exponent for what is neither tiny nor huge."""
    return f"{number:.0f}" if 1000.0 <= abs(number) < 1e7 else f"{number:.3g}"


def wheels_from_above(facts: SheetFacts) -> dict[str, Any]:
    """Axles front to rear with each wheel's greatest deviation and a tint from 0 to 1; the suspect wheel marked."""
    known = facts.indicators[facts.indicators["wheel"].isin(WHEELS) & facts.indicators["deviation"].notna()]
    worst = known.groupby("wheel")["deviation"].max().to_dict()
    suspect = facts.lead["wheel"] if facts.lead is not None else facts.row["suspect_wheel"]
    suspect = suspect if suspect in WHEELS else None
    named = [int(wheel[0]) for wheel in [*worst, suspect] if wheel]
    count = min(max([axle_count(facts.row), *named]), MAX_AXLES)
    lifted, twins = axle_numbers(facts.row["lift_axles"]), axle_numbers(facts.row["twin_tyres"])
    axles = [
        {
            "number": axle,
            "kind": ", ".join(word for word, those in (("lifts", lifted), ("twin", twins)) if axle in those),
            "wheels": [_wheel(f"{axle}{side}", worst, suspect) for side in "LR"],
        }
        for axle in range(1, count + 1)
    ]
    return {"front": front_word(facts.row["category"]), "axles": axles, "known": bool(worst)}


def _wheel(wheel: str, worst: dict[Any, float], suspect: str | None) -> dict[str, Any]:
    deviation = worst.get(wheel)
    return {
        "name": wheel,
        "shown": look.MISSING if deviation is None else f"{deviation:+.1f}",
        "tint": 0.0 if deviation is None else min(max(float(deviation) / look.DEVIATION_FULL, 0.0), 1.0),
        "suspect": wheel == suspect,
    }


def event_rows(facts: SheetFacts, measures: Measures) -> tuple[str, list[dict[str, str]]]:
    """Heading and rows of the events that weigh most; of a vehicle without a finding those braked hardest."""
    events, indicator = facts.evidence, None if facts.lead is None else facts.lead["indicator"]
    title = "Applications that weigh most"
    if events.empty:
        events = facts.events.sort_values(["peak_decel_mps2", "event_id"], ascending=[False, True]).dropna(
            subset="peak_decel_mps2"
        )
        title, indicator = "Hardest applications recorded", None
    rows = [
        {
            "when": look.moment(event["started_at"]).removesuffix(" UTC"),
            "speed": measures.text("speed", event["initial_speed_mps"]),
            "peak": measures.text("decel", event["peak_decel_mps2"]),
            "surface": look.SURFACE_TEXT.get(str(event["surface"]), look.text(event["surface"])),
            "showed": showed(event, indicator, measures),
            "id": clipped(event["event_id"], MOST_ID),
        }
        for event in events.head(MOST_EVENTS).to_dict("records")
    ]
    return title, rows


def other_findings(facts: SheetFacts) -> list[str]:
    """What else stands out, in the reader's units: name, where, deviation, since when."""
    lead = facts.lead or {"indicator": None, "wheel": None}
    out = findings.standing_out(facts.indicators, lead["indicator"], len(facts.indicators)).to_dict("records")
    at = (lead["indicator"], wheel_words(lead["wheel"]))
    return [_other(row) for row in out if (row["indicator"], wheel_words(row["wheel"])) != at]


def _other(row: Row) -> str:
    text = look.indicator_text(row["indicator"])
    where = wheel_words(row["wheel"])
    said = f"{text[:1].upper()}{text[1:]}{f', {where}' if where else ''}: "
    said += f"{quantity(row['value'], row['unit'])}, {quantity(row['expected'], row['unit'])} expected, "
    said += look.MISSING if pd.isna(row["deviation"]) else f"{row['deviation']:+.1f} standard errors"
    said += f", since {look.day(row['first_seen_on'])}" if pd.notna(row["first_seen_on"]) else ""
    ranks = row["ranks"]
    return said + ("" if pd.notna(ranks) and ranks else " (not ranked yet)")


def open_items(facts: SheetFacts) -> list[str]:
    """Open findings, failed tests, lamps and drivers' reports, the worst first; then the flags that are not closed."""
    scored = clipped(facts.row["open_report"]) if facts.row["open_report"] else ""
    reports = [
        f"Report of {look.day(report['reported_at'])}: {clipped(report['text'])}"
        for report in facts.open_reports.to_dict("records")
        if not (isinstance(report["text"], str) and report["text"] in (facts.row["open_report"] or ""))
    ]
    return [*([scored] if scored else []), *reports, *(_flag(flag) for flag in facts.flags if flag.closed_on is None)]


def _flag(flag: Flag) -> str:
    what = "open report" if flag.indicator == "open_report" else INDICATORS.get(flag.indicator, clipped(flag.indicator))
    where = wheel_words(flag.wheel)
    said = f"Flag, {flag.age_days} day{'s' if flag.age_days != 1 else ''} old: {what}{f', {where}' if where else ''}"
    if flag.decision is None:
        return f"{said}; {'seen, ' if flag.state == 'seen' else ''}nothing decided yet"
    until = f" until {look.day(flag.expires_on)}" if flag.expires_on else ""
    return f"{said}; decided: {flag.decision.replace('_', ' ')}{until}"


def history_rows(facts: SheetFacts, measures: Measures) -> list[str]:
    """Inspections, work and tests, newest first, one line each. Notes of people stay as they wrote them."""
    rows = facts.history[facts.history["kind"] != "defect report"].to_dict("records")
    return [_done(row, measures) for row in rows]


def _done(row: Row, measures: Measures) -> str:
    where, note = wheel_words(row["wheel"]), row["note"]
    if row["kind"] == "brake test" and isinstance(note, str):
        note = in_units(measures, note)
    known = row["severity"] if isinstance(row["severity"], str) and row["severity"] != "none" else None
    parts = [clipped(row["what"], 60), where, known, clipped(note, 60) if isinstance(note, str) and note else None]
    return f"{look.day(row['on_day'])} {row['kind']}: {', '.join(filter(None, parts))}"


def not_observed(facts: SheetFacts, measures: Measures) -> str:
    """What the recordings of this vehicle cannot say: indicators, rates, channels that went missing."""
    row = facts.row
    weak = facts.indicators[facts.indicators["deviation"].notna()]
    missing = [code.replace("_", " ") for code in INDICATORS if code not in set(weak["indicator"])]
    said = f"Not observed, and not counted as good: {', '.join(missing)}. " if missing else ""
    if row["events"]:
        told = [f"{word} {'not recorded' if row[name] is None else f'{row[name]:.3g} Hz'}" for word, name in _RATES]
        said += f"Recorded: {', '.join(told)}. "
    if facts.lost_channels:
        said += f"No longer recorded: {clipped(', '.join(facts.lost_channels))}. "
    return said + findings.quiet_text(row, measures) if row["priority"] else said + "Nothing was scored."


def work_cautions(actuation: object) -> list[str]:
    """What to heed before working on the brakes; all of it where nobody knows what works them."""
    kinds = str(actuation).replace("air_over_hydraulic", "air hydraulic").split()
    told = [text for kind, text in ACTUATION_CAUTIONS.items() if kind in kinds]
    return [*WORK_CAUTIONS, *(told or ACTUATION_CAUTIONS.values())]
