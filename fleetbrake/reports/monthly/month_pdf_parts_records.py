"""What was not recorded, in the month's PDF: files that failed, vehicles gone silent, channels lost."""

import pandas as pd
import pyarrow as pa

from fleetbrake.reports import look
from fleetbrake.reports.monthly.month_pdf_parts import (
    Part,
    Row,
    counted,
    day,
    first_of,
    is_missing,
    joined,
    name,
    records,
    short,
)
from fleetbrake.reports.source import nullable_frame

#: Rows of each list (own choice: causes repeat, the first of each are enough to act on).
MOST_FILES, MOST_SILENT, MOST_LOST = 15, 15, 15
MOST_CHANNELS = 6


def files(log: pa.Table) -> Part:
    """Files that were not wholly loaded: rejected ones first, then by path."""
    every = nullable_frame(log)
    bad = every[every["status"] != "loaded"].sort_values(["status", "path"], ascending=[False, True])
    rows = [
        {
            "path": name(row["path"]),
            "status": look.text(row["status"]).replace("_", " "),
            "events": "" if is_missing(row["events_rejected"]) else look.whole(row["events_rejected"]),
            "reason": short(look.text(row["reason"])),
        }
        for row in records(bad.head(MOST_FILES))
    ]
    said = f"{counted(len(every), 'recording file', 'recording files')} of the month; "
    said += f"{look.whole((every['status'] == 'rejected').sum())} rejected, "
    said += f"{look.whole((every['status'] == 'partly_loaded').sum())} loaded in part."
    shown = first_of(len(rows), len(bad))
    return {"rows": rows, "note": joined([said, shown], " ") if len(every) else "No recording file of this month."}


def silent(facts: pa.Table) -> Part:
    """Vehicles that have been silent for longer than is usual for them, longest first, and those never recorded."""
    every = nullable_frame(facts)
    gone = every[every["silent"].fillna(False).astype(bool)].sort_values(
        ["days_silent", "vehicle_id"], ascending=[False, True]
    )
    never = every[every["last_on"].isna()].sort_values("vehicle_id")
    newest = day(every["newest_on"].dropna().max()) if every["newest_on"].notna().any() else ""
    left = len(never) - MOST_SILENT
    return {
        "rows": [_silent(row) for row in records(gone.head(MOST_SILENT))],
        "note": joined(
            [
                f"As of {newest}, the newest recorded day of the store." if newest else "",
                first_of(min(len(gone), MOST_SILENT), len(gone)),
            ],
            " ",
        ),
        "never": [name(v) for v in never["vehicle_id"].head(MOST_SILENT)],
        "never_title": f"Never recorded: {len(never):,}",
        "never_more": f"and {left:,} more" if left > 0 else "",
        "count": len(gone),
    }


def _silent(row: Row) -> Part:
    return {
        "vehicle": name(row["vehicle_id"]),
        "depot": joined([name(row["depot"]), name(row["category"])]),
        "last": day(row["last_on"]),
        "days": look.whole(row["days_silent"]),
        "usual": f"silent from {look.whole(row['silent_from_days'])} days on",
    }


def lost(channels: pa.Table, facts: pa.Table) -> Part:
    """Channels that a vehicle's files used to have and the newest ones do not, a row a vehicle."""
    every = nullable_frame(channels)
    gone = every[every["lost"].fillna(False).astype(bool)].sort_values(["vehicle_id", "channel"])
    depots = dict(zip(facts["vehicle_id"].to_pylist(), facts["depot"].to_pylist(), strict=True))
    rows = []
    for vehicle, of_vehicle in list(gone.groupby("vehicle_id", sort=True))[:MOST_LOST]:
        named = [name(c) for c in of_vehicle["channel"].head(MOST_CHANNELS)]
        left = len(of_vehicle) - len(named)
        rows.append(
            {
                "vehicle": name(vehicle),
                "depot": name(depots.get(vehicle)),
                "channels": ", ".join(named) + (f" and {left} more" if left > 0 else ""),
                "last": _last(of_vehicle["last_at"]),
            }
        )
    vehicles = int(gone["vehicle_id"].nunique())
    return {"rows": rows, "note": first_of(len(rows), vehicles)}


def _last(moments: pd.Series) -> str:
    known = moments.dropna()
    return f"last on {day(known.max())}" if len(known) else look.MISSING
