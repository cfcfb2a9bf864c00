"""The month in figures, against the months before, and its files."""

from datetime import UTC, datetime

import address
import pandas as pd
import streamlit as st
from kept import kept
from month_files import month_archive
from page_parts import caution, page, plain
from refusals import refusal
from seat import Seat

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.reports import charts, look, month_reads
from fleetbrake.reports.measures import System
from fleetbrake.reports.month_reads import MEASURES, SPLITS, Chosen, MonthSums

#: What stands in addresses is what is shown: a widget's words are its address.
_TOGETHER = "all together"
_FIGURES = {words: name for name, words in MEASURES.items()}
_ACROSS = 3
#: Parts drawn at most: more small charts than these nobody compares.
_MOST_PARTS = 24
_WRITTEN = "month_written"


def draw(seat: Seat) -> None:
    """Figures of one month in UTC, the trend up to it, its days, its files."""
    months = kept(month_reads.months, seat.store)
    if not months:
        st.info(
            "There is no month to show: no brake application is in the store, or its months were not summed up yet; "
            "the next `fleetbrake ingest` does that."
        )
        return
    month, chosen = _asked(seat, months)
    told = kept(month_reads.sums, seat.store, month, chosen)
    _figures(seat, told, kept(month_reads.on_loose_ground, seat.store, month, chosen))
    _trends(seat, month, chosen)
    st.subheader("Day by day", anchor=False)
    st.altair_chart(charts.notable_days(kept(month_reads.days, seat.store, month, chosen), month), theme=None)
    st.caption("An event counts in every class that it shows: the bars of a class add up to its number above.")
    _files(seat, month)
    caution()


def _asked(seat: Seat, months: list[str]) -> tuple[str, Chosen]:
    """Month and part of the fleet, from the address or the widgets."""
    depots, categories = kept(month_reads.parts, seat.store)
    usual = month_reads.newest_begun(months, datetime.now(UTC).date())
    cells = st.columns([1, 2, 2])
    month = address.one(cells[0], "Month (UTC)", months, "month", usual)
    named = address.many(cells[1], "Depot", depots, "depot", placeholder="all depots")
    kinds = address.many(cells[2], "Category", categories, "category", placeholder="all categories")
    return month or usual, Chosen(tuple(named), tuple(kinds))


def _figures(seat: Seat, told: MonthSums, on_loose: int) -> None:
    shown = (
        ("Brake applications", look.whole(told.events - told.not_braking)),
        ("Hard stops", look.whole(told.hard_stops)),
        ("With modulation", look.whole(told.modulation)),
        ("With a locked wheel", look.whole(told.lockups)),
        ("… above the cut-off", look.whole(told.lockups_above_cutoff)),
        ("Vehicles", look.whole(told.vehicles)),
        ("Distance", seat.measures.text("distance", told.distance_km)),
    )
    with st.container(horizontal=True, gap="medium"):
        for label, value in shown:
            st.metric(label, value, width="content")
    st.caption(month_reads.unobserved(told))
    if told.lockups_above_cutoff:
        st.caption(month_reads.loose_words(told.lockups_above_cutoff, on_loose))


def _trends(seat: Seat, month: str, chosen: Chosen) -> None:
    """The three figures side by side for the whole, or one of them for each part."""
    st.subheader("Against the months before", anchor=False)
    cells = st.columns([2, 2])
    split = address.beside(cells[0], "Split by", [_TOGETHER, *SPLITS], "split", _TOGETHER)
    if split in SPLITS:
        words = address.one(cells[1], "Figure", list(_FIGURES), "figure", next(iter(_FIGURES)))
        figure = _FIGURES.get(str(words), next(iter(MEASURES)))
        rows = kept(month_reads.trend, seat.store, month, figure, split, chosen)
        panels = [(str(part), of_part) for part, of_part in rows.groupby("part", sort=False)]
        highest = float(rows["high"].max()) if rows["high"].notna().any() else None
    else:
        rows, highest = pd.DataFrame(), None
        panels = [
            (words.capitalize(), kept(month_reads.trend, seat.store, month, name, None, chosen))
            for words, name in _FIGURES.items()
        ]
    _grid(seat, panels[:_MOST_PARTS], highest)
    if len(panels) > _MOST_PARTS:
        st.caption(f"The first {_MOST_PARTS} of {len(panels)} parts; choose depots above to see others.")
    per = seat.measures.label("per_distance")
    st.caption(
        f"Filled: the month looked at. {per[:1].upper()}{per[1:]}, as far as the recordings could tell: the distance "
        "of vehicles that recorded, less the share of applications of which it could not be observed; where no "
        "distance is known, events as counted. Bars: 90 % intervals of chance alone (exact Poisson limits); hard stops "
        "that bring each other about scatter more. A gap: nothing could be observed."
    )


def _grid(seat: Seat, panels: list[tuple[str, pd.DataFrame]], highest: float | None) -> None:
    for start in range(0, len(panels), _ACROSS):
        for cell, (title, rows) in zip(st.columns(_ACROSS), panels[start : start + _ACROSS], strict=False):
            with cell:
                st.text(title)  # a depot's name is foreign text
                if rows.empty or rows["value"].isna().all():
                    st.caption("Nothing could be observed in these months.")
                    continue
                counted = not bool(rows["per_distance"].any())
                own = highest is None or counted
                st.altair_chart(
                    charts.month_trend(rows, highest=None if own else highest, measures=seat.measures), theme=None
                )


def _files(seat: Seat, month: str) -> None:
    """The month's files: written when asked for, then to be saved."""
    st.subheader("The month's files", anchor=False)
    st.markdown(_contents(month) + "\n\n" + _terms(seat, month))
    if st.button("Write the month's files", key="write_month"):
        st.session_state[_WRITTEN] = month
    if st.session_state.get(_WRITTEN) != month:
        return
    try:
        with st.spinner("Writing the month's files ..."):
            archive = month_archive(seat, month)
    except FleetbrakeError as error:
        st.session_state.pop(_WRITTEN, None)
        st.warning(plain(refusal(error, seat.viewer, seat.store)))
        return
    st.download_button(
        f"Save brakes-{month}.zip ({len(archive) / 1e6:.1f} MB)",
        archive,
        file_name=f"brakes-{month}.zip",
        mime="application/zip",
        on_click="ignore",
        type="primary",
    )


def _contents(month: str) -> str:
    """What is in the archive."""
    return (
        f"- `brakes-{month}.pdf`: the month against those before, vehicles to inspect with reasons, open flags, what "
        "inspections found against what was predicted, rates by depot, category and surface, drivers, brake work, what "
        "was not recorded, method and limits\n"
        f"- `brakes-{month}.xlsx`: a summary, the list of vehicles, every table as a sheet with filters, charts, and a "
        "sheet that explains every column\n"
        "- `csv/` and `parquet/`: the tables drawn up for the month (rates, hit rate, open flags, drivers in it, "
        "who had gone silent ...) and every published table filtered to it, in SI units"
    )


def _terms(seat: Seat, month: str) -> str:
    """Units and names in the files, and the command that writes the same."""
    names, system = seat.viewer.sees_drivers, seat.measures.system
    told = (
        "With drivers' ids and places: personal data."
        if names
        else "Drivers appear under stable aliases; no trip and no place is named."
    )
    more = (" --units us" if system is System.US else "") + (" --with-driver-names" if names else "")
    units = "US customary" if system is System.US else "metric"
    return (
        f"PDF and workbook in {units} units; all of the whole fleet, whatever is chosen above. {told} "
        f"The same from a shell: `fleetbrake report --store DIR --month {month} --out DIR{more}`."
    )


page("Month", draw)
