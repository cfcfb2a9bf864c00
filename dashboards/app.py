"""The pages' entry: only a router. Run by ``fleetbrake dashboard``; the store comes from FLEETBRAKE_STORE."""

import sys
from pathlib import Path

import streamlit as st

# Pages find their shared parts beside this file, in the checkout as in an installed package.
_HERE = str(Path(__file__).resolve().parent)
if _HERE not in sys.path:
    sys.path.insert(0, _HERE)

from page_parts import apply_look  # noqa: E402

st.set_page_config(page_title="fleetbrake", layout="wide")
apply_look()
st.navigation(
    [
        st.Page("views/inspections.py", title="Inspections", url_path="inspections", default=True),
        st.Page("views/vehicle.py", title="Vehicle", url_path="vehicle"),
        st.Page("views/event.py", title="Event", url_path="event"),
        st.Page("views/drivers.py", title="Drivers", url_path="drivers"),
        st.Page("views/month.py", title="Month", url_path="month"),
        st.Page("views/recordings.py", title="Recordings", url_path="recordings"),
    ],
    position="top",
).run()
