"""Typed reads of what is known of drivers beside their rates: what to talk about, and what nobody can be named for."""

from pathlib import Path

import pandas as pd

from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.source import SCORED_DAYS, frame

_NEWEST = f"(SELECT max(as_of) FROM ({SCORED_DAYS}) AS scored)"  # noqa: S608 - own constants


def coaching(store: Path, driver_id: str) -> pd.DataFrame:
    """What to talk about with a driver on the newest day scored, in order.

    Columns: position, kind (talk_about or went_well), subject, event_id (NULL: a figure of all applications), sentence,
    value, usual, and of that event started_at, vehicle_id and initial_speed_mps.
    """
    return frame(
        store,
        "SELECT c.position, c.kind, c.subject, c.event_id, c.sentence, c.value, c.usual, "  # noqa: S608 - own constants
        "e.started_at, e.vehicle_id, e.initial_speed_mps "
        f"FROM (SELECT * FROM driver_coaching WHERE driver_id = ? AND as_of = {_NEWEST}) AS c "
        "LEFT JOIN events AS e ON e.event_id = c.event_id ORDER BY c.position",
        [driver_id],
    )


def recorded_span(store: Path, driver_id: str) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """First and last application of the driver up to and with the newest day scored; None without any."""
    row = frame(
        store,
        "SELECT min(started_at) AS first, max(started_at) AS last FROM events WHERE driver_id = ? "  # noqa: S608 - own constants
        f"AND CAST(started_at AS DATE) <= coalesce({_NEWEST}, DATE '9999-12-31')",
        [driver_id],
    ).iloc[0]
    return None if pd.isna(row["first"]) else (row["first"], row["last"])


def exposure(store: Path) -> pd.DataFrame:
    """One row a depot on the newest day scored: distance and hard stops, and the parts without a known driver.

    Columns: depot, distance_km, unattributed_km, hard_stops, unattributed_hard_stops.
    """
    return frame(
        store,
        "SELECT depot, distance_km, unattributed_km, hard_stops, unattributed_hard_stops FROM exposure_summary "  # noqa: S608 - own constants
        f"WHERE as_of = {_NEWEST} ORDER BY depot NULLS LAST",
    )


def unattributed(depots: pd.DataFrame, measures: Measures = METRIC) -> str:
    """The shares without a known driver over all depots, in a sentence; from :func:`exposure`."""
    km, open_km = depots["distance_km"].sum(), depots["unattributed_km"].sum()
    stops, open_stops = depots["hard_stops"].sum(), depots["unattributed_hard_stops"].sum()
    if not km > 0:
        return "No usable distance in any trip: no driver has a rate."
    parts = (
        f"{measures.of('distance', open_km):,.0f} of {measures.of('distance', km):,.0f} {measures.label('distance')}"
    )
    told = f"No driver is known for {100 * open_km / km:.0f} % of the distance ({parts})"
    if not stops > 0:
        return told + "."
    return f"{told} and {100 * open_stops / stops:.0f} % of the hard stops ({open_stops:,.0f} of {stops:,.0f})."


def charted(drivers: int, most: int) -> str | None:
    """That a chart of the first ``most`` leaves drivers out; None where it shows all."""
    return f"The chart shows the first {most} of {drivers} drivers; the table shows all." if drivers > most else None


def unobserved(drivers: pd.DataFrame, measures: Measures = METRIC) -> str | None:
    """Distance on which no hard stop would have been recorded, in a sentence; None without any (under a kilometre)."""
    unseen = float((drivers["distance_km"] - drivers["observed_km"]).sum())
    if not unseen >= 1.0:
        return None
    whole = measures.of("distance", float(drivers["distance_km"].sum()))
    return (
        f"On {measures.of('distance', unseen):,.0f} of {whole:,.0f} {measures.label('distance')} no hard stop would "
        "have been recorded: they are in the counted rates, not in the adjusted ones."
    )
