"""Who brakes late and hard, as counted and with vehicle, surface and exposure taken out; what to talk about."""

from functools import partial
from typing import Any

import address
import pandas as pd
import streamlit as st
from kept import kept
from page_parts import asked_for, link_to, page, plain
from seat import Seat

from fleetbrake.core.vocabulary import DRIVER_CAUTION
from fleetbrake.reports import charts, driver_reads, driver_words, look, reads
from fleetbrake.reports.measures import Measures

_HOW = (
    "**What the number means.** The counted rate divides a driver's hard stops by the distance driven. The adjusted "
    "rate compares the driver's incidents (hard stops within a minute are one) with what an average driver would have "
    "had in the same vehicles, on the same roads and over the same distance, as far as a hard stop would have been "
    "recorded there; the fewer the events, the more it rests on the other drivers. Lower than counted: vehicle or road "
    "explain part of the count, or it rests on few events. Higher than counted: vehicles and roads were kinder than "
    "the fleet's, or so few events are known that the other drivers weigh more. Where some drivers keep to one kind of "
    "road and others to another, nobody can tell driver from road: the intervals are wider there, and may still be too "
    "narrow.\n\n"
    "**What it does not mean.** It does not say who was at fault, what the traffic did, or that a stop was wrong: a "
    "hard stop can be the right one. Drivers whose intervals overlap cannot be told apart. Braking by the vehicle "
    "itself, faults of the vehicle and slippery roads are not the driver's; what no register or recording tells is "
    "still in it. It is a ground for a conversation, not a verdict."
)

_MOST_CHARTED = 25
_ROW = "drivers_table_row"

_KINDS = {"talk_about": "Worth talking about", "went_well": "Went well"}

#: Column -> heading, quantity (its unit is put behind; None: none), digits.
_COLUMNS: dict[str, tuple[str, str | None, int | None]] = {
    "rank": ("Rank", None, None), "driver_id": ("Driver", None, None), "depot": ("Depot", None, None),
    "style_score": ("Score", None, 0), "score_low": ("from", None, 0), "score_high": ("to", None, 0),
    "distance_km": ("Distance", "distance", 0), "observed_km": ("Observed", "distance", 0),
    "hard_stops": ("Hard stops", None, None), "incidents": ("Incidents", None, None),
    "automatic_hard_stops": ("By the vehicle itself", None, None),
    "hard_stops_per_1000km": ("Counted", "per_distance", 2),
    "adjusted_hard_stops_per_1000km": ("Adjusted", "per_distance", 2),
    "adjusted_low": ("low", None, 2), "adjusted_high": ("high", None, 2),
    "hard_stops_per_1000_applications": ("Counted (per 1000 applications)", None, 1),
    "build_up_jerk_mps3": ("Jerk of build-up", "jerk", 1), "build_up_jerk_of_usual": ("Jerk, usual = 1", None, 2),
    "late_braking_share": ("Last second of a stop", None, 2),
    "brake_energy_kj_per_km": ("Brake energy", "energy_per_distance", 1),
    "modulation_on_grip_per_1000km": ("Modulation with grip", "per_distance", 1),
    "note": ("Why they differ", None, None),
}  # fmt: skip
#: Columns without a unit in their heading that are rates all the same: they stand beside one that has it.
_BESIDE = ("adjusted_low", "adjusted_high")


def draw(seat: Seat) -> None:
    """Rates with intervals, every driver in numbers (a chosen row chooses the driver), then one driver's events."""
    found = seat.veiled(kept(reads.drivers, seat.store))
    if found.empty:
        st.info("No driver has been scored yet. Drivers come from recordings or trips; then run `fleetbrake score`.")
        return
    st.caption(f"Evidence up to and with {look.day(found['as_of'].iloc[0])}. Personal data: for coaching only.")
    st.warning(DRIVER_CAUTION)
    with st.expander("What the numbers mean, and what they do not"):
        st.markdown(_HOW)
    shown = _of_depots(found)
    st.altair_chart(charts.driver_rates(shown, _MOST_CHARTED, measures=seat.measures), theme=None)
    for told in (driver_reads.charted(len(shown), _MOST_CHARTED), driver_reads.unobserved(shown, seat.measures)):
        if told is not None:
            st.caption(told)
    _blind(seat, shown)
    _table(shown, seat.measures)
    _one(seat, found, shown)


def _of_depots(found: pd.DataFrame) -> pd.DataFrame:
    """The drivers of the depots that the address or the reader asks for; all where none is named."""
    depots = sorted(set(found["depot"].dropna()))
    chosen = address.many(st, "Depot", depots, "depot", placeholder="all depots", width=420)
    return found[found["depot"].isin(chosen)] if chosen else found


def _blind(seat: Seat, shown: pd.DataFrame) -> None:
    """What has no rate, and what nobody can be named for."""
    blind = int(shown["hard_stops_per_1000km"].isna().sum())
    if blind:
        st.caption(f"{blind} driver(s) without a known distance have no rate.")
    unscored = int((shown["style_score"].isna() & shown["hard_stops_per_1000km"].notna()).sum())
    if unscored:
        st.caption(
            f"Of {unscored} driver(s) too little driving was observed for a score: their place in the list means "
            "nothing."
        )
    depots = kept(driver_reads.exposure, seat.store)
    if len(depots):
        st.caption(driver_reads.unattributed(depots, seat.measures))


def _table(shown: pd.DataFrame, measures: Measures) -> None:
    columns: dict[str, Any] = {}
    formats: dict[str, Any] = {}
    for name, (heading, quantity, digits) in _COLUMNS.items():
        title = f"{heading} ({measures.label(quantity)})" if quantity else heading
        values = shown[name]
        if quantity or name in _BESIDE:
            values = measures.of(quantity or "per_distance", values.astype(float))
        columns[title] = values
        if digits is not None:
            formats[title] = st.column_config.NumberColumn(format=f"%.{digits}f")
    columns["Why they differ"] = [driver_words.note(row, measures) for row in shown.to_dict("records")]
    chosen = st.dataframe(
        pd.DataFrame(columns),
        hide_index=True,
        column_config=formats,
        placeholder=look.MISSING,
        height=_height(shown),
        on_select="rerun",
        selection_mode="single-row",
        key="drivers_table",
    )
    rows = chosen["selection"]["rows"] if chosen else []
    place = rows[0] if rows and rows[0] < len(shown) else None
    # only a row chosen anew moves the list below, which can be moved by itself as well
    if place is not None and st.session_state.get(_ROW) != place:
        st.query_params["driver"] = str(shown["driver_id"].iloc[place])
    st.session_state[_ROW] = place


def _height(shown: pd.DataFrame) -> int:
    return min(36 * len(shown) + 38, 420)


def _one(seat: Seat, found: pd.DataFrame, shown: pd.DataFrame) -> None:
    """One driver: figures, why the rates differ, typical events, what went well, and the sheet for the talk."""
    ids = [str(d) for d in shown["driver_id"]]
    asked = asked_for("driver")
    if asked not in ids and asked in [str(d) for d in found["driver_id"]]:
        ids = [asked, *ids]  # a link to a driver holds, whatever depots are chosen
    name = address.known("driver", ids, "driver", look.clipped)
    driver_id = None if name is None else seat.driver_from(name)
    if name is None or driver_id is None:
        return
    row: dict[str, Any] = found[found["driver_id"] == name].iloc[0].to_dict()
    items = seat.veiled(kept(driver_reads.coaching, seat.store, driver_id))
    _figures(row, seat.measures)
    note = driver_words.note(row, seat.measures)
    if note:
        st.markdown(f"**{plain(name)}**: {plain(note)}")
    st.download_button(
        "Sheet for the talk (PDF)",
        partial(_sheet, seat, row, items, driver_id),
        file_name="talk.pdf",
        mime="application/pdf",
        on_click="ignore",
        help="One page: both rates, what went well, typical applications, room for the driver's own account. It names "
        "no other driver and no rank.",
    )
    if items.empty:
        st.caption("No event of this driver is worth talking about.")
    for kind, title in _KINDS.items():
        part = items[items["kind"] == kind]
        if len(part):
            st.subheader(title, anchor=False)
        for item in part.to_dict("records"):
            _item(item, seat.measures)
    st.caption(
        "The events are typical of the driver, not the worst ones, and leave out slippery roads and faulty vehicles."
    )


def _figures(row: dict[str, Any], measures: Measures) -> None:
    low, high = (driver_words.rate_told(row[n], measures).split(" ")[0] for n in ("adjusted_low", "adjusted_high"))
    shown = (
        ("Distance", measures.text("distance", row["distance_km"])),
        ("Hard stops", look.whole(row["hard_stops"])),
        ("Counted", driver_words.rate_told(row["hard_stops_per_1000km"], measures)),
        ("Adjusted", driver_words.rate_told(row["adjusted_hard_stops_per_1000km"], measures)),
        ("90 % interval", look.MISSING if low == look.MISSING else f"{low} to {high}"),
    )
    with st.container(horizontal=True, gap="medium"):
        for label, value in shown:
            st.metric(label, value, width="content")


def _sheet(seat: Seat, row: dict[str, Any], items: pd.DataFrame, driver_id: str) -> bytes:
    """The printed page, drawn up when somebody asks for it."""
    from fleetbrake.reports.sheets.driver_sheet import driver_sheet  # the typesetter is loaded only when needed

    span = driver_reads.recorded_span(seat.store, driver_id)
    return driver_sheet(row, items, span, seat.measures)


def _item(item: dict[Any, Any], measures: Measures) -> None:
    st.markdown(plain(driver_words.coaching_sentence(item, measures)))
    if isinstance(item["event_id"], str):
        with st.container(horizontal=True, vertical_alignment="center"):
            link_to("event", "Look at the event", event=item["event_id"])
            if isinstance(item["vehicle_id"], str):
                st.text(f"{look.moment(item['started_at'])}, vehicle {item['vehicle_id']}")


page("Drivers", draw)
