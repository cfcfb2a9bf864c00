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


def gone_silent(silence: pa.Table) -> list[Row]:
    """Rows of ``month_silence`` of vehicles silent for longer than was usual for them, longest first."""
    gone = [row for row in silence.to_pylist() if row["silent"]]
    return sorted(gone, key=lambda row: (-row["days_silent"], row["vehicle_id"]))


def silent(silence: pa.Table) -> Part:
    """Vehicles that had been silent for longer than was usual for them by the end of the month, longest first, and
    those that had not recorded by then."""
    every = sorted(silence.to_pylist(), key=lambda row: str(row["vehicle_id"]))
    gone = gone_silent(silence)
    never = [row["vehicle_id"] for row in every if row["last_on"] is None]
    told_on = next((row["told_on"] for row in every if row["told_on"] is not None), None)
    left = len(never) - MOST_SILENT
    return {
        "rows": [_silent(row) for row in gone[:MOST_SILENT]],
        "note": joined(
            [
                f"As of {day(told_on)}, from the days recorded up to then." if told_on else "",
                first_of(min(len(gone), MOST_SILENT), len(gone)),
            ],
            " ",
        ),
        "never": [name(v) for v in never[:MOST_SILENT]],
        "never_title": f"Not recorded by then: {len(never):,}",
        "never_more": f"and {left:,} more" if left > 0 else "",
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
    newest = [moment for moment in facts["newest_on"].to_pylist() if moment is not None]
    as_of = f"In the newest recordings of the store, up to {day(max(newest))}." if newest else ""
    return {"rows": rows, "note": joined([as_of, first_of(len(rows), vehicles)], " ")}


def _last(moments: pd.Series) -> str:
    known = moments.dropna()
    return f"last on {day(known.max())}" if len(known) else look.MISSING
