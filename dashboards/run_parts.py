"""The unattended runs on a page: when they ran, how they ended."""

import pandas as pd
import streamlit as st
from page_parts import plain
from refusals import without_paths
from seat import Seat

from fleetbrake.core.errors import StoreError
from fleetbrake.reports import look, run_reads

_TIME = st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm", timezone="UTC")


def last_runs(seat: Seat) -> None:
    """A heading and the newest runs; nothing where no job has ever run. Read anew each time: runs do not wait for a
    publication."""
    try:
        found = run_reads.newest_runs(seat.store)
    except StoreError as error:
        st.subheader("Last runs", anchor=False)
        st.caption(plain(without_paths(str(error), seat.viewer, seat.store)))
        return
    if found.empty:
        return
    st.subheader("Last runs", anchor=False)
    newest = found.drop_duplicates("job")
    for _, run in newest[~newest["well"]].iterrows():
        st.warning(plain(f"The newest {run['job']} run ended otherwise than planned: {run['outcome']}."))
    reasons = [
        None if pd.isna(said) else without_paths(seat.veiled_text(str(said)), seat.viewer, seat.store)
        for said in found["reason"]
    ]
    st.dataframe(
        found.assign(reason=reasons)[["job", "started_at", "seconds", "outcome", "did", "reason"]].rename(
            columns={"job": "Run", "started_at": "Began (UTC)", "seconds": "Took (s)", "outcome": "How it ended",
                     "did": "What it did", "reason": "Why not"}
        ),
        hide_index=True,
        column_config={"Began (UTC)": _TIME, "Took (s)": st.column_config.NumberColumn(format="%.0f")},
        placeholder=look.MISSING,
    )  # fmt: skip
