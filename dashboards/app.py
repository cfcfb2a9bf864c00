"""The pages' entry: only a router. Run by ``fleetbrake dashboard``; the store comes from FLEETBRAKE_STORE."""

import sys
from pathlib import Path

import streamlit as st

# Pages find their shared parts beside this file, in the checkout as in an installed package.
_HERE = str(Path(__file__).resolve().parent)
if _HERE not in sys.path:
    sys.path.insert(0, _HERE)

from page_parts import apply_look, plain  # noqa: E402
from sign_in import caller, door, signed_in_line  # noqa: E402

from fleetbrake.access.roles import PAGES  # noqa: E402


def _first() -> None:
    """From the first page's own name to its address, with what was asked for."""
    st.switch_page("views/inspections.py", query_params=st.query_params.to_dict())


st.set_page_config(page_title="fleetbrake", layout="wide")
apply_look()
_found = caller()
if _found.viewer.roles:
    # A page that is not for this role has no entry; whoever goes to its address is told so by the page itself.
    _pages = [
        st.Page(
            f"views/{name}.py",
            title=name.capitalize(),
            url_path="first" if name == "inspections" else name,
            default=name == "inspections",
            visibility="visible" if _found.viewer.may_open(name) else "hidden",
        )
        for name in PAGES
    ]
    # The first page has the bare address, and its path is not answered; its names are made to lead there, too.
    _pages += [
        st.Page(_first, title="Inspections", url_path=name, visibility="hidden") for name in ("inspections", "list")
    ]
    _chosen = st.navigation(_pages, position="top")
    signed_in_line(_found, plain(_found.viewer.name))
else:
    # Every address leads to the door, so that an address tells nothing of what is behind it.
    _pages = [st.Page(lambda: door(_found), title="fleetbrake", url_path=name) for name in PAGES]
    _pages.append(st.Page(lambda: door(_found), title="fleetbrake", url_path="door", default=True))
    _chosen = st.navigation(_pages, position="hidden")
_chosen.run()
