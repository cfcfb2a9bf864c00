"""What came in, what did not and why; what each vehicle records, who has gone silent, which ids nobody knows."""

from typing import Any

import address
import pandas as pd
import streamlit as st
from kept import kept
from page_parts import page
from run_parts import last_runs
from seat import Seat

from fleetbrake.reports import look, reads, recording_reads, unusual_reads
from fleetbrake.reports.recording_reads import STATUSES

_MOST_IDS = 60
_DAY = st.column_config.DateColumn(format="D MMM YYYY")
_TIME = st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm", timezone="UTC")


def draw(seat: Seat) -> None:
    """Counts, what needs somebody, why files were not taken, vehicles with channels and rates, files, unknown ids."""
    came = kept(recording_reads.arrived, seat.store)
    if not came.files:
        st.info("No recording has been read into this store yet. Run `fleetbrake ingest` with a folder of recordings.")
        last_runs(seat)
        return
    facts = seat.veiled(kept(recording_reads.facts, seat.store))
    gone = recording_reads.silent(facts)
    shown = (
        ("Files loaded", came.loaded), ("Partly loaded", came.partly_loaded), ("Rejected", came.rejected),
        ("Events in", came.events), ("Events rejected", came.events_rejected), ("Vehicles silent", len(gone)),
    )  # fmt: skip
    with st.container(horizontal=True, gap="medium"):
        for label, value in shown:
            st.metric(label, look.whole(value), width="content")
    if came.newest_read_at is not None:
        st.caption(f"Last read {look.moment(came.newest_read_at)}.")
    last_runs(seat)
    _rejects(seat)
    _reasons(seat)
    if len(facts):
        depots = _depots(facts)
        facts = facts[facts["depot"].isin(depots)] if depots else facts
        _silent(recording_reads.silent(facts), facts)
        _gone(seat)
        _lost(seat, depots)
        _vehicles(seat, facts)
    else:
        st.info("What each vehicle records was not summed up yet; the next `fleetbrake ingest` does that.")
    _log(seat)
    _unknown(seat)


def _depots(facts: pd.DataFrame) -> tuple[str, ...]:
    known = sorted(set(facts["depot"].dropna()))
    return tuple(address.many(st, "Depot", known, "depot", placeholder="all depots", width=420))


def _reasons(seat: Seat) -> None:
    st.subheader("What went wrong", anchor=False)
    found = seat.veiled(kept(recording_reads.reasons, seat.store))
    if found.empty:
        st.caption("Every file was loaded whole.")
        return
    _rows(
        found.assign(reason=[recording_reads.kind_of(said) for said in found["example"]]),
        {"reason": "Why", "files": "Files", "rejected": "Rejected whole", "path": "For example", "example": "says",
         "loaded_at": "Newest read (UTC)"},
        {"loaded_at": _TIME},
    )  # fmt: skip
    st.caption("Grouped by what was wrong; “…” stands for a number or a name that differs. One file can have several.")


def _rejects(seat: Seat) -> None:
    found = seat.veiled(kept(unusual_reads.rejected_above_usual, seat.store))
    if found.empty:
        return
    st.subheader("More files rejected than usual", anchor=False)
    st.caption("What was rejected is not in any figure or score. Ask what changed: a logger, a transfer, a mapping.")
    share = st.column_config.NumberColumn(format="%.1f %%")
    _rows(
        found.assign(
            folder=found["folder"].where(found["folder"].notna(), "all folders"),
            newest=100 * found["newest_rejected"] / found["newest_files"],
            usual=100 * found["usual_share"],
        ),
        {"folder": "Folder", "newest_files": "Newest files", "newest_rejected": "Rejected", "newest": "Share",
         "usual": "Usual share"},
        {"newest": share, "usual": share},
    )  # fmt: skip


def _gone(seat: Seat) -> None:
    found = kept(unusual_reads.channels_gone, seat.store)
    if found.empty:
        return
    st.subheader("Channels gone from a category", anchor=False)
    st.caption(
        "Vehicles of the category had the channel until lately and nearly none has it now, as after an update of their "
        "loggers. What needs it is not observed any more, and says nothing good of any of them."
    )
    _rows(
        found.assign(category=["not in the register" if pd.isna(c) else c for c in found["category"]]),
        {"category": "Category", "channel": "Channel", "vehicles": "Vehicles that had it", "still": "… have it now",
         "newest_files": "Newest files", "last_at": "Last seen (UTC)"},
        {"last_at": _TIME},
    )  # fmt: skip


def _silent(gone: pd.DataFrame, facts: pd.DataFrame) -> None:
    st.subheader("Gone silent", anchor=False)
    st.caption(recording_reads.silence_rule(facts["newest_on"].iloc[0]) if len(facts) else "")
    if gone.empty:
        st.caption("None: every vehicle that ever recorded has sent something within its usual time.")
    else:
        _rows(
            gone,
            {"vehicle_id": "Vehicle", "depot": "Depot", "last_on": "Last recorded", "days_silent": "Days silent",
             "usual_gap_days": "Usual gap (days)", "silent_from_days": "Silent after (days)", "days": "Days recorded"},
            {"last_on": _DAY, "silent_from_days": st.column_config.NumberColumn(format="%.0f")},
        )  # fmt: skip
    for ids, what in zip(
        recording_reads.never_sent(facts),
        ("In the register and never recorded", "Trailers without recordings of their own (usual)"),
        strict=True,
    ):
        if ids:
            more = f", the first {_MOST_IDS}" if len(ids) > _MOST_IDS else ""
            st.markdown(f"**{what} ({len(ids):,}){more}:**")
            st.text(", ".join(ids[:_MOST_IDS]))


def _lost(seat: Seat, depots: tuple[str, ...]) -> None:
    found = seat.veiled(kept(recording_reads.lost_channels, seat.store, depots))
    if found.empty:
        return
    st.subheader("Channels lost", anchor=False)
    st.caption(
        "Most earlier files of the vehicle have the channel, none of its newest ones: what needs it is not observed "
        "any more, and says nothing good of the vehicle."
    )
    _rows(
        found,
        {"vehicle_id": "Vehicle", "channels": "Channels", "last_at": "Last seen (UTC)", "newest_files": "Newest files"},
        {"last_at": _TIME},
    )


def _vehicles(seat: Seat, facts: pd.DataFrame) -> None:
    st.subheader("Channels and rates by vehicle", anchor=False)
    rate = st.column_config.NumberColumn(format="%.1f")
    rates = {"sample_rate_hz": "Rows (Hz)", "wheel_rate_hz": "Wheels (Hz)", "speed_rate_hz": "Speed (Hz)",
             "demand_rate_hz": "Demand (Hz)"}  # fmt: skip
    _rows(
        facts,
        {"vehicle_id": "Vehicle", "depot": "Depot", "category": "Category", "files": "Files",
         "files_with_problems": "… with problems", "events": "Events", "last_on": "Last recorded", **rates,
         "channels_lost": "Channels lost"},
        {"last_on": _DAY, **dict.fromkeys(rates, rate)},
    )  # fmt: skip
    st.caption("Rates are how often a channel really changes, median over the vehicle's events; a dash: not recorded.")
    vehicle = address.one(
        st, "Channels of one vehicle", [str(v) for v in facts["vehicle_id"]], "vehicle", None,
        placeholder="choose a vehicle", width=420,
    )  # fmt: skip
    if vehicle is not None:
        _channels(seat, vehicle)


def _channels(seat: Seat, vehicle: str) -> None:
    found = kept(recording_reads.channels_of, seat.store, vehicle)
    if found.empty:
        st.caption("No channels are known of this vehicle: no file with an event of it.")
        return
    share = st.column_config.NumberColumn(format="%.0f %%")
    part = found.assign(
        share=100 * found["files_with"] / found["files"],
        newest=100 * found["newest_with"] / found["newest_files"].where(found["newest_files"] > 0),
        lost=["too few files" if pd.isna(gone) else "lost" if gone else "no" for gone in found["lost"]],
    )
    _rows(
        part,
        {"channel": "Channel", "share": "Of all files", "newest": "Of its newest", "files": "Files",
         "newest_files": "Newest files", "last_at": "Last seen (UTC)", "lost": "Lost"},
        {"share": share, "newest": share, "last_at": _TIME},
    )  # fmt: skip


def _log(seat: Seat) -> None:
    st.subheader("Files", anchor=False)
    words = {status.replace("_", " "): status for status in STATUSES}
    asked = address.many(st, "Status", list(words), "status", placeholder="every status", width=420)
    status = tuple(words[word] for word in asked)
    found, more = kept(recording_reads.files, seat.store, status)
    _rows(
        seat.veiled(found).assign(status=[look.text(s).replace("_", " ") for s in found["status"]]),
        {"path": "File", "status": "Status", "rows": "Rows", "events": "Events", "events_rejected": "Events rejected",
         "reason": "Reason", "first_at": "First sample (UTC)", "last_at": "Last sample (UTC)",
         "loaded_at": "Read (UTC)"},
        dict.fromkeys(("first_at", "last_at", "loaded_at"), _TIME),
    )  # fmt: skip
    if more:
        st.caption(f"{more:,} more. What was not wholly loaded comes first, then the newest.")


def _unknown(seat: Seat) -> None:
    st.subheader("Ids that no register knows", anchor=False)
    unknown = seat.veiled(kept(reads.unknown_ids, seat.store))
    if unknown.empty:
        st.caption("None: every vehicle and driver of the recordings is in a register.")
        return
    st.caption("Their events are kept. Without a register row there is no category, depot or due date for them.")
    _rows(
        unknown,
        {"kind": "Kind", "id": "Id", "events": "Events", "first_at": "First (UTC)", "last_at": "Last (UTC)"},
        {"first_at": _TIME, "last_at": _TIME},
    )


def _rows(found: pd.DataFrame, names: dict[str, str], formats: dict[str, Any]) -> None:
    """The named columns under their headings; foreign text is shown in cells, never as markup."""
    st.dataframe(
        found[list(names)].rename(columns=names),
        hide_index=True,
        column_config={names[name]: form for name, form in formats.items()},
        placeholder=look.MISSING,
        height=min(36 * len(found) + 38, 420),
    )


page("Recordings", draw)
