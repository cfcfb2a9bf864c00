"""What the pages share: where the store is, what to say when it is not there, and how foreign text is shown safely."""

import base64
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from address import tell_address
from kept import kept
from refusals import refusal
from seat import Seat, measures_asked, units_in_links, units_switch, viewer

from fleetbrake.access.roles import Viewer
from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.core.vocabulary import CAUTION
from fleetbrake.reports import look, model_reads, reads
from fleetbrake.reports.measures import METRIC, Measures
from fleetbrake.reports.printed import printed

STORE_VARIABLE = "FLEETBRAKE_STORE"

_STYLE = """<style>
.block-container {padding: 4rem 2rem 3rem 2rem; max-width: 1500px;}
[data-testid="stMetric"] {padding: 0.1rem 0;}
[data-testid="stMetricValue"] {font-size: 1.3rem;}
[data-testid="stText"] {font-family: inherit; white-space: pre-wrap; overflow-wrap: anywhere; unicode-bidi: isolate;}
[data-testid="stPageLink"] a {padding: 0; min-height: 1.5rem;}
[data-testid="stPageLink"] p {overflow-wrap: anywhere; white-space: normal; font-weight: 600; color: #0d6471;
  unicode-bidi: isolate;}
[class*="st-key-head"] p {color: #5b6873; font-size: 0.85rem; margin: 0;}
[class*="st-key-row"] {border-top: 1px solid #d8dee3; padding: 0.45rem 0 0.1rem 0;}
[class*="st-key-row"] [data-testid="stVerticalBlock"] {gap: 0.05rem;}
[class*="st-key-row"] button p {font-size: 0.85rem;}
[class*="st-key-row"] button {min-height: 1.9rem; padding: 0.1rem 0.6rem;}
[class*="st-key-row"] button[kind="tertiary"] {padding: 0.1rem 0.6rem 0.1rem 0;}
[class*="st-key-row"] button[kind="tertiary"] p {color: #0d6471; text-decoration: underline dotted;}
[class*="st-key-panel"] [data-testid="stVerticalBlock"] {gap: 0.6rem;}
[class*="st-key-day"] {border-top: 2px solid #d8dee3; padding-top: 0.2rem;}
[class*="st-key-day"] [data-testid="stVerticalBlock"], [class*="st-key-day"] {gap: 0.1rem;}
[class*="st-key-row"] p, [class*="st-key-row"] [data-testid="stMarkdownContainer"],
[class*="st-key-row"] [data-testid="stCaptionContainer"] {margin-bottom: 0 !important;}
.vega-embed:has(.vega-bind) {display: flex; flex-direction: column; align-items: stretch;}
.vega-embed .vega-bindings:has(.vega-bind) {order: -1; display: flex; flex-flow: row wrap !important;
  align-items: center; gap: 0.2rem 1.4rem; padding: 0.3rem 0 0.4rem 0;}
.vega-embed .vega-bind {display: flex; align-items: center; gap: 0.4rem; width: auto !important;}
.vega-embed .vega-bind-name {min-width: 0 !important;}
.vega-embed .vega-bind:has(input[type="range"]) {flex: 1 1 24rem;}
.vega-embed .vega-bind label {display: flex; align-items: center; gap: 0.4rem; flex: 1;}
.vega-embed .vega-bind input[type="range"] {flex: 1; min-width: 12rem; width: auto;
  --vega-range-progress: 0% !important;}
</style>"""


def apply_look() -> None:
    """Denser spacing than the default; a fixed style sheet, no data in it."""
    st.html(_STYLE)


def store_folder() -> Path | None:
    """The store folder from the environment, or None if it is not set."""
    named = os.environ.get(STORE_VARIABLE, "")
    return Path(named) if named else None


@contextmanager
def friendly(who: Viewer, store: Path) -> Iterator[None]:
    """Show a sentence instead of a traceback when the store has nothing to read."""
    try:
        yield
    except FleetbrakeError as error:
        st.info(plain(refusal(error, who, store)))
        st.caption("This page shows the store again as soon as something has been published in it.")
    except OSError:
        st.info("The store folder cannot be read just now. Is the disk there, and may this user read it?")


def page(title: str, draw: Callable[[Seat], None]) -> None:
    """Draw one page: title, then ``draw(seat)``, or a sentence why there is nothing to draw."""
    who = viewer()
    allowed = who.may_open(title.lower())
    with st.container(horizontal=True, horizontal_alignment="distribute", vertical_alignment="center"):
        st.header(title, anchor=False, width="content")
        if allowed:
            units_switch()
    if not allowed:
        st.info("This page is not for your role. Ask whoever looks after the sign-in if it should be.")
        return
    store = store_folder()
    if store is None:
        st.info(f"No store chosen. Start the pages with `fleetbrake dashboard --store DIR`, or set {STORE_VARIABLE}.")
        return
    with friendly(who, store):
        seat = Seat(store, who, measures_asked())
        tell_address(title, units_in_links())
        draw(seat)
        if seat.veil.note:
            st.caption(seat.veil.note)


def caution() -> None:
    """The caution that stands wherever a score or a list is shown."""
    st.caption(f"⚠ {CAUTION}")


def model_line(store: Path) -> None:
    """What the health scores rest on, and why; nothing where nothing was scored."""
    model = kept(model_reads.model_in_use, store)
    if model.sentence:
        st.caption(plain(model.sentence))


_MARKUP = re.compile(r"([\\`*_{}\[\]()#+\-.!|<>$~:^&@/=\"'])")
_LINKS = re.compile(r"(?i)(https?|ftp|mailto|www|xmpp)(?=[:.])")
_EMOJI = re.compile(r":(?=[\w+/-]+:)")
#: Pairs that a typographer would join into a dash, an arrow or a sign: ``--``, ``->``, ``<=`` ...
_JOINED = re.compile(r"(?<=[-<>~!=+])(?=[-<>=])")
#: An invisible character of no width that breaks what would become a link or a picture, and nothing else.
_JOINER = "\u2060"


def plain(value: object) -> str:
    """Foreign text for a place that reads Markdown: shown letter by letter, never as markup, link, formula or emoji.

    Line breaks become spaces; missing text becomes a dash; what would turn the direction of writing becomes a mark.
    """
    shown = " ".join(printed(look.text(value)).split())
    shown = _LINKS.sub(lambda m: m.group(0) + _JOINER, shown)
    shown = _JOINED.sub(_JOINER, shown)
    shown = _EMOJI.sub(":" + _JOINER, shown).replace("@", _JOINER + "@")
    return _MARKUP.sub(r"\\\1", shown)


def facts_line(parts: list[str]) -> None:
    """Short facts beside each other in quiet text."""
    st.caption(" · ".join(parts))


def link_to(view: str, label: object, **parameters: str) -> None:
    """Link to another page with parameters, in the units of this one; the label may be foreign text."""
    st.page_link(f"views/{view}.py", label=plain(look.clipped(label)), query_params=parameters | units_in_links())


def asked_for(name: str) -> str | None:
    """A query parameter's text, or None."""
    return st.query_params.get(name)


def interval_bar(low: object, value: object, high: object, priority: object) -> None:
    """A small picture of a score with its interval on 0 to 100; made of numbers and fixed colours only."""
    if pd.isna(value) or pd.isna(low) or pd.isna(high):  # type: ignore[call-overload]
        return
    a, v, b = (min(max(float(x), 0.0), 100.0) * 1.4 + 3 for x in (low, value, high))  # type: ignore[arg-type]
    colour = look.HOW_SOON.get(str(priority), look.PLAIN_COLOUR)
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" width="146" height="14" viewBox="0 0 146 14">'
        f'<line x1="3" x2="143" y1="7" y2="7" stroke="{look.LINE}" stroke-width="2"/>'
        f'<rect x="{a:.1f}" y="3" width="{max(b - a, 2):.1f}" height="8" rx="3" fill="{colour}" '
        f'stroke="{look.QUIET}" stroke-width="0.5"/>'
        f'<circle cx="{v:.1f}" cy="7" r="3.4" fill="white" stroke="{look.INK}" stroke-width="1.5"/></svg>'
    )
    coded = base64.b64encode(svg.encode()).decode()
    st.image(f"data:image/svg+xml;base64,{coded}", width=146)


def event_table(events: pd.DataFrame, key: str, measures: Measures = METRIC) -> None:
    """A list of events; choosing a row opens the event."""
    speed, decel = f"From ({measures.label('speed')})", f"Peak decel. ({measures.label('decel')})"
    shown = pd.DataFrame(
        {
            "Event": events["event_id"],
            "Time (UTC)": events["started_at"],
            "Shows": look.event_shows(events),
            speed: measures.of("speed", events["initial_speed_mps"]),
            decel: measures.of("decel", events["peak_decel_mps2"]),
            "Locked": events["wheels_locked"].fillna(""),
            "Modulated": events["wheels_modulated"].fillna(""),
            "Longest lockup (s)": events["lockup_s"],
            "Surface": [look.SURFACE_TEXT.get(str(s), look.text(s)) for s in events["surface"]],
        }
    )
    numbers: dict[str, Any] = {
        "Time (UTC)": st.column_config.DatetimeColumn(format="D MMM YYYY HH:mm:ss", timezone="UTC"),
        speed: st.column_config.NumberColumn(format="%.0f"),
        decel: st.column_config.NumberColumn(format=f"%.{measures.unit('decel').digits}f"),
        "Longest lockup (s)": st.column_config.NumberColumn(format="%.2f"),
    }
    chosen = st.dataframe(
        shown,
        hide_index=True,
        column_config=numbers,
        on_select="rerun",
        selection_mode="single-row",
        placeholder=look.MISSING,
        key=key,
        height=min(36 * len(shown) + 38, 420),
    )
    rows = chosen["selection"]["rows"] if chosen else []
    if rows and rows[0] < len(events):
        chosen_event = str(events["event_id"].iloc[rows[0]])
        st.switch_page("views/event.py", query_params={"event": chosen_event, **units_in_links()})


def store_line(store: Path) -> reads.StoreFacts:
    """One quiet line: as of which day, how many vehicles, events and files."""
    facts = kept(reads.store_facts, store)
    parts = [
        f"Evidence up to and with {look.day(facts.as_of)}" if facts.as_of else "Not scored yet",
        f"{facts.vehicles:,} vehicles with recordings",
        f"{facts.events:,} brake applications",
    ]
    if facts.files_rejected:
        parts.append(f"{facts.files_rejected:,} of {facts.files:,} files rejected (see Recordings)")
    facts_line(parts)
    return facts
