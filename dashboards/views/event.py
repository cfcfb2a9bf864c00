"""One brake application: its traces, the marked spans, and its facts in numbers."""

from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from page_parts import asked_for, caution, event_table, link_to, page, plain
from seat import Seat

from fleetbrake.reports import charts, look, reads
from fleetbrake.reports.traces import Traces, event_traces


def draw(seat: Seat) -> None:
    """The event that the address asks for, else the newest ones worth a look."""
    store = seat.store
    asked = asked_for("event")
    row = reads.event(store, asked) if asked else None
    if row is None or asked is None:
        if asked:
            st.warning("There is no such event in this store:")
            st.text(asked)
        _choose(store)
        return
    _head(row)
    traces = event_traces(store, asked)
    _traces(traces)
    if row["not_braking"] is None:
        st.subheader("By wheel", anchor=False)
        _wheels(reads.event_wheels(store, asked))
    left, right = st.columns([1.25, 1])
    with left:
        st.subheader("In numbers", anchor=False)
        st.table(_facts(row), border="horizontal", hide_index=True, hide_header=True)
    with right:
        if row["not_braking"] is None:
            _friction(traces, row)
        _origin(row)
    caution()


def _choose(store: Path) -> None:
    notable = reads.notable_events(store)
    if notable.empty:
        st.info(
            "No event yet in which a wheel locked above the cut-off speed or the anti-lock control was at work. "
            "Others: see Vehicle."
        )
        return
    st.caption(
        "The newest events in which a wheel locked above the cut-off speed or the anti-lock control was at work. "
        "Choose a row to open it."
    )
    event_table(notable, key="notable_events")


def _head(row: dict[str, Any]) -> None:
    st.text(row["event_id"])
    with st.container(horizontal=True, vertical_alignment="center"):
        if row["vehicle_id"] is not None:
            link_to("vehicle", row["vehicle_id"], vehicle=str(row["vehicle_id"]))
        driver = plain(row["driver_id"]) if row["driver_id"] is not None else "not known"
        st.caption(f"{look.moment(row['started_at'])} · driver {driver} · {_source(row)}")
    if row["not_braking"] is not None:
        st.info(f"No brake application: {plain(row['not_braking'])}. Hard stop, modulation and lockup do not apply.")
        return
    shows = st.columns(5)
    shows[0].metric("Hard stop", look.yes_no(row["hard_stop"]))
    shows[1].metric("Modulation", look.yes_no(row["modulation"]))
    shows[2].metric("Wheel locked", look.yes_no(row["lockup"]))
    shows[3].metric("Above the cut-off speed", look.yes_no(row["lockup_above_cutoff"]))
    shows[4].metric("Surface", look.SURFACE_TEXT.get(str(row["surface"]), look.text(row["surface"])))


def _source(row: dict[str, Any]) -> str:
    asked = row["brake_source"]
    return "source of the demand not recorded" if asked is None else f"asked for by {plain(asked)}"


def _traces(traces: Traces | None) -> None:
    if traces is None:
        return
    if traces.problem:
        st.info(plain(traces.problem))
        if traces.spans.empty:
            return
    st.altair_chart(charts.event_chart(traces), theme=None, width="content")
    if not traces.problem:
        st.caption(_rests_on(traces))
        st.caption("Drag to move along the time axis, turn the wheel to zoom, double-click to see all.")


def _rests_on(traces: Traces) -> str:
    """The band and the speed channel's age in words, and what the reference speed rests on."""
    rests = traces.reference
    if rests is None or not traces.vehicle["speed_mps"].notna().any():
        return "Nothing recorded carries a reference speed here: none is drawn, and what needs one is not judged."
    on = [
        word
        for used, word in (
            (rests.speed_channel, "the speed channel"),
            (rests.accelerometer, "the accelerometer"),
            (rests.wheels, "the wheels while they roll"),
        )
        if used
    ]
    carried = (
        f" It rests on {', '.join(on[:-1])} and {on[-1]}." if len(on) > 1 else f" It rests on {''.join(on)} alone."
    )
    if rests.speed_channel and rests.delay_s < 0.005:
        late = " The speed channel shows no delay."
    elif rests.speed_channel and not pd.isna(rests.delay_s):
        late = f" The speed channel is about {look.number(rests.delay_s, 2)} s late; the reference makes up for that."
    elif len(traces.channel) and not rests.speed_channel:
        late = (
            " The speed channel was recorded but is not independent of the wheels or cannot be trusted; it is not used."
        )
    else:
        late = ""
    half = ((traces.vehicle["high_mps"] - traces.vehicle["low_mps"]) / 2.0).max()
    wide = "" if pd.isna(half) else f" At its widest it is {look.number(half, 2)} m/s to either side."
    return (
        f"Reference speed with its band: the true speed lies inside about 19 times in 20.{wide} Where "
        f"nothing carries it, it is left out.{carried if on else ''}{late}"
    )


#: What can be told of an event that is no brake application.
_WITHOUT_BRAKING = ("Initial speed", "Final speed", "Rates: wheels / speed / demand")


def _facts(row: dict[str, Any]) -> pd.DataFrame:
    """Name and value with unit, SI first, everyday unit beside it."""
    cycles = f"{look.whole(row['modulation_cycles'])} cycles, {look.number(row['modulation_hz'])} Hz"
    chance = row["surface_probability"]
    likely = "" if chance is None or pd.isna(chance) else f" (likelihood {look.whole(100.0 * chance)} %)"
    facts = [
        ("Initial speed", look.kmh(row["initial_speed_mps"])),
        ("Final speed", look.kmh(row["final_speed_mps"])),
        ("Braking time", f"{look.number(row['braking_s'], 2)} s"),
        ("Braking distance", f"{look.number(row['braking_distance_m'])} m"),
        ("Peak deceleration (0.2 s mean)", f"{look.number(row['peak_decel_mps2'], 2)} m/s²"),
        ("Mean deceleration", f"{look.number(row['mean_decel_mps2'], 2)} m/s²"),
        ("Mean fully developed deceleration", f"{look.number(row['mfdd_mps2'], 2)} m/s²"),
        ("Friction used (of g)", look.number(row["friction_used"], 2)),
        ("Surface", f"{look.SURFACE_TEXT.get(str(row['surface']), look.text(row['surface']))}{likely}"),
        ("Friction: peak / sliding", " / ".join(
            look.number(row[c], 2) for c in ("friction_peak", "friction_sliding"))),
        ("Distance that lockups cost", _with_error(row, "lockup_extra_m", "lockup_extra_se_m", "m")),
        ("Brake energy", f"{look.whole(row['brake_energy_kj'])} kJ"),
        ("Work of the friction brakes", _with_error(row, "friction_brake_kj", "friction_brake_se_kj", "kJ", 0)),
        ("Build-up / release time", f"{look.number(row['build_up_s'], 2)} / {look.number(row['release_s'], 2)} s"),
        ("Longest lockup of a wheel", f"{look.number(row['lockup_s'], 2)} s"),
        ("What the rules for new vehicles would say of it", _allowed(row)),
        ("Near misses (caught before locking)", look.whole(row["near_lockups"])),
        ("Modulation of the wheel with most", cycles),
        ("Wheels that modulated", _pattern(row)),
        ("The vehicle's own flag and the wheels", _FLAG_TEXT.get(str(row["flag_and_wheels"]), look.MISSING)),
        ("Emergency application", look.yes_no(row["emergency_application"])),
        ("Rates: wheels / speed / demand", " / ".join(
            f"{look.whole(row[c])}" for c in ("wheel_rate_hz", "speed_rate_hz", "demand_rate_hz")) + " Hz"),
    ]  # fmt: skip
    if row["not_braking"] is not None:
        facts = [fact for fact in facts if fact[0] in _WITHOUT_BRAKING]
    return pd.DataFrame([(name, plain(value)) for name, value in facts], columns=["Fact", "Value"])


_FLAG_TEXT = {
    "both": "both show modulation",
    "flag_only": "flag raised, wheels show none",
    "wheels_only": "wheels show it, flag not raised",
    "neither": "neither shows modulation",
}


def _with_error(row: dict[str, Any], value: str, error: str, unit: str, digits: int = 1) -> str:
    """Figure and standard error with the unit, or the usual mark."""
    if row[value] is None or pd.isna(row[value]):
        return look.MISSING
    return f"{look.number(row[value], digits)} ± {look.number(row[error], digits)} {unit}"


def _allowed(row: dict[str, Any]) -> str:
    """What the certification rule says of the lockups: information, never a verdict on a vehicle in use."""
    if row["lockup_allowed"] is None or pd.isna(row["lockup_allowed"]):
        return look.MISSING
    said = "allowed" if row["lockup_allowed"] else "not allowed"
    return f"{said} ({look.text(row['lockup_rule'])}); no verdict on a vehicle in use"


def _pattern(row: dict[str, Any]) -> str:
    """Which wheels modulated, and what they make together."""
    pattern = look.text(row["modulation_wheels"]).replace("_", " ")
    return pattern if pattern == look.MISSING else f"{pattern}: {look.text(row['wheels_modulated']).replace('+', ', ')}"


def _wheels(wheels: pd.DataFrame) -> None:
    if wheels.empty:
        st.info("No wheel speed was recorded: this event has no opinion on lockups.")
        return
    names = {
        "wheel": "Wheel", "peak_slip": "Peak slip", "lockup_s": "Locked (s)", "lockup_onset_s": "from (s)",
        "lockup_onset_speed_mps": "at (m/s)", "slide_m": "Slid (m)", "modulation_cycles": "Cycles",
        "modulation_hz": "Hz", "near_lockups": "Near misses", "near_lockup_slip": "at slip",
        "dropout_s": "Signal lost (s)", "lockup_allowed": "Allowed new",
    }  # fmt: skip
    figures = {
        name: st.column_config.NumberColumn(format="%.2f")
        for name in [*list(names.values())[1:6], "Hz", "at slip", "Signal lost (s)"]
    }
    shown = wheels[list(names)].rename(columns=names)
    shown["Allowed new"] = shown["Allowed new"].map({True: "yes", False: "no"})
    st.dataframe(shown, hide_index=True, column_config=figures, placeholder=look.MISSING)
    st.caption(
        "Allowed new: whether the rules for new vehicles allow such a lockup; information, no verdict on a vehicle in "
        "use. A dash: there was none, or it could not be observed."
    )


def _friction(traces: Traces | None, row: dict[str, Any]) -> None:
    """Braking rate against slip: what the word for the surface rests on."""
    if traces is None or not (traces.friction["part"] == "pair").any():
        return
    st.subheader("Friction curve", anchor=False)
    st.altair_chart(charts.friction_chart(traces.friction), theme=None, width="content")
    ring = "Each ring is a tenth of a second, or one sample where those are farther apart."
    if not (traces.friction["part"] == "curve").any():
        st.caption(f"{ring} No curve: the sides differ, or friction was not used up far enough to tell the surface.")
        return
    surface = look.SURFACE_TEXT.get(str(row["surface"]), look.text(row["surface"]))
    chance = row["surface_probability"]
    likely = "" if chance is None or pd.isna(chance) else f" (likelihood {look.whole(100.0 * chance)} %)"
    st.caption(
        f"{ring} Line: published tyre curve of {surface} ground, fitted to this event{likely}. The curve is what every "
        "single wheel does; rings show their mean, so they lie off it where the wheels slipped differently."
    )


def _origin(row: dict[str, Any]) -> None:
    if row["notes"] is not None:
        st.caption(f"Notes: {plain(row['notes'])}")
    if row["source_path"] is not None:
        rows = f"rows {look.whole(row['row_start'])} to {look.whole(row['row_stop'])}"
        st.caption(f"Recording: {plain(row['source_path'])}, {rows}")


page("Event", draw)
