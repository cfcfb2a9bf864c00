"""Typed reads of what is known of drivers beside their rates: what to talk about, and what nobody can be named for."""

from pathlib import Path

import pandas as pd

from fleetbrake.reports.source import SCORED_DAYS, frame

_NEWEST = f"(SELECT max(as_of) FROM ({SCORED_DAYS}) AS scored)"  # noqa: S608 - own constants


def coaching(store: Path, driver_id: str) -> pd.DataFrame:
    """What to talk about with a driver on the newest day scored, in order.

    Columns: position, kind (talk_about or went_well), subject, event_id (NULL: a figure of all applications), sentence,
    value, usual.
    """
    return frame(
        store,
        "SELECT position, kind, subject, event_id, sentence, value, usual FROM driver_coaching "  # noqa: S608 - own constants
        f"WHERE driver_id = ? AND as_of = {_NEWEST} ORDER BY position",
        [driver_id],
    )


def exposure(store: Path) -> pd.DataFrame:
    """One row a depot on the newest day scored: distance and hard stops, and the parts without a known driver.

    Columns: depot, distance_km, unattributed_km, hard_stops, unattributed_hard_stops.
    """
    return frame(
        store,
        "SELECT depot, distance_km, unattributed_km, hard_stops, unattributed_hard_stops FROM exposure_summary "  # noqa: S608 - own constants
        f"WHERE as_of = {_NEWEST} ORDER BY depot NULLS LAST",
    )


def unattributed(depots: pd.DataFrame) -> str:
    """The shares without a known driver over all depots, in a sentence; from :func:`exposure`."""
    km, open_km = depots["distance_km"].sum(), depots["unattributed_km"].sum()
    stops, open_stops = depots["hard_stops"].sum(), depots["unattributed_hard_stops"].sum()
    if not km > 0:
        return "No usable distance in any trip: no driver has a rate."
    told = f"No driver is known for {100 * open_km / km:.0f} % of the distance ({open_km:,.0f} of {km:,.0f} km)"
    if not stops > 0:
        return told + "."
    return f"{told} and {100 * open_stops / stops:.0f} % of the hard stops ({open_stops:,.0f} of {stops:,.0f})."


def charted(drivers: int, most: int) -> str | None:
    """That a chart of the first ``most`` leaves drivers out; None where it shows all."""
    return f"The chart shows the first {most} of {drivers} drivers; the table shows all." if drivers > most else None


def unobserved(drivers: pd.DataFrame) -> str | None:
    """Distance on which no hard stop would have been recorded, in a sentence; None without any (under a kilometre)."""
    unseen = float((drivers["distance_km"] - drivers["observed_km"]).sum())
    if not unseen >= 1.0:
        return None
    return (
        f"On {unseen:,.0f} of {drivers['distance_km'].sum():,.0f} km no hard stop would have been recorded: they are "
        "in the counted rates, not in the adjusted ones."
    )
