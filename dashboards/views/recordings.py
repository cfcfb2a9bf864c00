"""What came in, what did not and why, and which ids nobody knows."""

import pandas as pd
import streamlit as st
from page_parts import page
from seat import Seat

from fleetbrake.reports import look, reads


def draw(seat: Seat) -> None:
    """Counts, the files with a problem first, then all; unknown ids last."""
    store = seat.store
    log = reads.recordings(store)
    if log.empty:
        st.info("No recording has been read into this store yet. Run `fleetbrake ingest` with a folder of recordings.")
        return
    cells = st.columns(5)
    counts = log["status"].value_counts()
    cells[0].metric("Files loaded", look.whole(counts.get("loaded", 0)))
    cells[1].metric("Partly loaded", look.whole(counts.get("partly_loaded", 0)))
    cells[2].metric("Rejected", look.whole(counts.get("rejected", 0)))
    cells[3].metric("Events in", look.whole(log["events"].sum()))
    cells[4].metric("Events rejected", look.whole(log["events_rejected"].sum()))
    _problems(log[log["status"] != "loaded"])
    st.subheader("All files", anchor=False)
    _table(log)
    _unknown(reads.unknown_ids(store))


def _problems(bad: pd.DataFrame) -> None:
    st.subheader("What went wrong", anchor=False)
    if bad.empty:
        st.caption("Every file was loaded whole.")
        return
    for number, row in enumerate(bad.head(12).to_dict("records")):
        with st.container(key=f"row_file_{number}"):
            status, told = st.columns([1, 6])
            status.markdown(
                str(row["status"]).replace("_", " ") if row["status"] in ("rejected", "partly_loaded") else "?"
            )
            with told:
                st.text(look.text(row["path"]))
                st.text(look.text(row["reason"]))
    if len(bad) > 12:
        st.caption(f"{len(bad) - 12:,} more in the table below: sort by status.")


def _table(log: pd.DataFrame) -> None:
    names = {
        "path": "File", "status": "Status", "rows": "Rows", "events": "Events", "events_rejected": "Events rejected",
        "reason": "Reason", "first_at": "First sample (UTC)", "last_at": "Last sample (UTC)", "loaded_at": "Read (UTC)",
    }  # fmt: skip
    times = {
        name: st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm", timezone="UTC")
        for name in ("First sample (UTC)", "Last sample (UTC)", "Read (UTC)")
    }
    st.dataframe(log[list(names)].rename(columns=names), hide_index=True, column_config=times, placeholder=look.MISSING)


def _unknown(unknown: pd.DataFrame) -> None:
    st.subheader("Ids that no register knows", anchor=False)
    if unknown.empty:
        st.caption("None: every vehicle and driver of the recordings is in a register.")
        return
    st.caption("Their events are kept. Without a register row there is no category, depot or due date for them.")
    st.dataframe(
        unknown.rename(
            columns={"kind": "Kind", "id": "Id", "events": "Events", "first_at": "First (UTC)", "last_at": "Last (UTC)"}
        ),
        hide_index=True,
        column_config={
            name: st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm", timezone="UTC")
            for name in ("First (UTC)", "Last (UTC)")
        },
    )


page("Recordings", draw)
