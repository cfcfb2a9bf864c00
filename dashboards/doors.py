"""The pages' server as the command starts it: the pages, with the gate before them."""

import sys
from pathlib import Path

import streamlit as st
from uvicorn.protocols.http.auto import AutoHTTPProtocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

_HERE = str(Path(__file__).resolve().parent)
if _HERE not in sys.path:
    sys.path.insert(0, _HERE)

from keeper import PagesKeeper  # noqa: E402
from kept_sessions import keep_insiders_alone  # noqa: E402
from sign_in import keep_reading, settings, sign_in_named  # noqa: E402

from fleetbrake.access.asgi import App  # noqa: E402
from fleetbrake.access.gate import Gate  # noqa: E402
from fleetbrake.access.server_log import bound_log  # noqa: E402
from fleetbrake.access.socket_bounds import end_in_time, keep_in_bounds  # noqa: E402

keep_in_bounds(WebSocketsSansIOProtocol)
end_in_time(AutoHTTPProtocol)
bound_log(("streamlit", "uvicorn"))
keep_insiders_alone()
if sign_in_named():
    settings()  # before the framework asks for its key
    keep_reading()
# the framework looks for an assignment of this form and serves what has this name in the end: the gate
app: App = st.App(Path(__file__).resolve().with_name("app.py"))
app = Gate(app, PagesKeeper())
