"""One page a vehicle for the workshop: what to look at first and where, what it rests on, room for what was found.

The sheet hangs in a workshop: it names no driver, no trip and no place, whoever prints it. All sheets of a run are one
document, with a bookmark each; the typesetter leaves out the last rows of the lists where a page would be too short.
"""

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleetbrake.core.errors import InputError
from fleetbrake.core.vocabulary import CAUTION, NOT_SEEN, SEVERITY_TEXT
from fleetbrake.reports import charts, findings, look, reads, typeset
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.plan_data import PlanTold
from fleetbrake.reports.printed import as_pasted
from fleetbrake.reports.sheets import vehicle_sheet_parts as parts
from fleetbrake.reports.sheets.vehicle_sheet_reads import SheetFacts, sheet_facts

#: Plot area (px): as wide as the page at some 7 pt letters; lower where many axles need rows to write in.
_WIDTH, _HEIGHT, _LOW = 800, 120, 85
_MANY_AXLES: Final = 4
#: Ids that a sentence names.
_MOST_NEAR, _MOST_NAMED = 3, 5


def vehicle_sheets(store: Path, vehicle_ids: Sequence[str], measures: Measures = METRIC) -> bytes:
    """The sheets of the vehicles in the order given, as one PDF with exactly one page each.

    Raises
    ------
    InputError
        No vehicle is named.
    StoreError
        There is nothing to read, or it cannot be read.
    FleetbrakeError
        The document cannot be set.
    """
    if not vehicle_ids:
        raise InputError("No vehicle is named, so there is no sheet to print.")
    sheets, pictures = [], {}
    for number, facts in enumerate(sheet_facts(store, vehicle_ids)):
        shown = in_units(facts, measures)
        chart = _chart(shown, measures)
        name = f"plot{number}.svg" if chart is not None else ""
        if chart is not None:
            pictures[name] = typeset.svg(chart)
        sheets.append(_sheet(shown, measures) | {"plot": name})
    data = {
        "paper": typeset.paper(measures),
        "caution": CAUTION,
        "not_seen": NOT_SEEN,
        "severities": ", ".join(f"{number} {word}" for number, word in enumerate(SEVERITY_TEXT)),
        "sheets": sheets,
    }
    return typeset.pdf("sheets/vehicle_sheet.typ", data, pictures)


def planned_vehicles(plan: PlanTold) -> list[str]:
    """Vehicles of the current plan: before the next trip first, then by day, depot and position, then without a day."""
    rows = [*plan.before_next_trip, *plan.planned, *plan.without_day]
    return list(dict.fromkeys(str(row["vehicle_id"]) for row in rows))


def known_vehicles(store: Path, vehicle_ids: Sequence[str]) -> list[str]:
    """The ids as they stand, each once; InputError names those that no register, score or event has, and near ones."""
    known = reads.vehicle_ids(store)
    there = set(known)
    vehicle_ids = [as_pasted(vehicle, there) for vehicle in vehicle_ids]
    unknown = [vehicle for vehicle in vehicle_ids if vehicle not in there]
    if not unknown:
        return list(dict.fromkeys(vehicle_ids))
    near = get_close_matches(unknown[0], known, n=_MOST_NEAR)
    listed = ", ".join(look.clipped(vehicle, 60) for vehicle in unknown[:_MOST_NAMED])
    more = " ..." if len(unknown) > _MOST_NAMED else ""
    hint = f" Near: {', '.join(look.clipped(vehicle, 60) for vehicle in near)}." if near else ""
    raise InputError(f"No vehicle of the store has this id: {listed}{more}.{hint}")


def in_units(facts: SheetFacts, measures: Measures) -> SheetFacts:
    """Findings in the units of ``measures``; shares and slip of the finding to look at first in per cent."""
    indicators = findings.in_units(facts.indicators, measures)
    if facts.lead is None:
        return replace(facts, indicators=indicators)
    lead = findings.in_units(pd.DataFrame([facts.lead]), measures).iloc[0].to_dict()
    trips = findings.trips_in_units(facts.trips, lead["quantity"], measures)
    return replace(facts, indicators=indicators, lead=lead, trips=trips)


def _chart(facts: SheetFacts, measures: Measures) -> Any:
    """The finding over its trips; without one, every application by day; None where nothing was recorded."""
    many = len(parts.wheels_from_above(facts)["axles"]) >= _MANY_AXLES
    height = _LOW if many else _HEIGHT
    if facts.lead is not None and len(facts.trips):
        factor, unit = parts.as_percent(facts.lead["unit"])
        lead = facts.lead | {name: factor * facts.lead[name] for name in ("value", "expected")} | {"unit": unit}
        trips = facts.trips.assign(value=factor * facts.trips["value"])
        return charts.finding_over_time(trips, lead, width=_WIDTH, height=height)
    if facts.events["peak_decel_mps2"].notna().any():
        return charts.events_over_time(facts.events, width=_WIDTH, height=height, measures=measures)
    return None


def _sheet(facts: SheetFacts, measures: Measures) -> dict[str, Any]:
    """One sheet as the document reads it; every text of foreign origin is cut."""
    row = facts.row
    what, where = parts.headline(facts)
    events_title, events = parts.event_rows(facts, measures)
    return {
        "vehicle": parts.clipped(row["vehicle_id"], 60),
        "identity": parts.identity(row, measures),
        "soon": look.priority_text(row["priority"]) if row["priority"] else "not scored",
        "dots": look.SOON_DOTS.get(str(row["priority"]), "?"),
        "figures": parts.figures(facts, measures),
        "what": what,
        "where": where,
        "reason": parts.reason(facts, measures),
        "facts": parts.lead_facts(facts.lead, row),
        "note": parts.clipped(row["plan_note"]) if row["plan_note"] else "",
        "above": parts.wheels_from_above(facts),
        "plot_title": "What each trip shows" if len(facts.trips) else "Peak deceleration of every application recorded",
        "events_title": events_title,
        "events": events,
        "others": parts.other_findings(facts),
        "open": parts.open_items(facts),
        "done": parts.history_rows(facts, measures),
        "not_observed": parts.not_observed(facts, measures),
        "work": parts.work_cautions(row["actuation"]),
    }
