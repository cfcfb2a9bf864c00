"""Who sits before the pages, asked anew on every run: the local user, or whom the sign-in names. Nothing is kept."""

import logging
import os
import time
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit import config

from fleetbrake.access.caller import Caller, local_caller, signed_caller
from fleetbrake.access.ended import ENDED
from fleetbrake.access.roles import LOCAL_USER, NOBODY, Viewer
from fleetbrake.access.serving import SIGN_IN_VARIABLE
from fleetbrake.access.sign_in import SignIn, read_sign_in
from fleetbrake.core.errors import FleetbrakeError

#: A page that is left open asks so often (s) whether whoever sits there may still see it. Own choice.
LOOKS_AGAIN_S = 30

#: A file is written in so long (s), by programs that do not put a whole one in its place. Own choice.
_WRITTEN_IN_S = 1.0
#: What the file said when it could be used last.
_HELD: dict[tuple[Path, int], SignIn] = {}

_BROKEN = "The sign-in is not set up rightly, so that nobody can be let in. The server's log says why."


def caller() -> Caller:
    """Who asks, and what to tell where nobody is let in."""
    return caller_of(claims) if sign_in_named() else _local()


def sign_in_named() -> bool:
    """Whether people have to sign in here."""
    return bool(os.environ.get(SIGN_IN_VARIABLE, ""))


def caller_of(told: Callable[[], Mapping[str, Any]]) -> Caller:
    """Whom the claims that ``told`` gives are of, with the roles that the sign-in file gives now."""
    try:
        return signed_caller(settings(), told(), time.time(), ENDED)
    except FleetbrakeError as error:
        logging.getLogger("fleetbrake").error("%s", error)
        return Caller(NOBODY, _BROKEN)


def viewer() -> Viewer:
    """Who looks, with the roles they have now; nobody where nobody is let in."""
    return caller().viewer


def claims() -> Mapping[str, Any]:
    """What the provider says of whoever sits here, from the signed cookie; empty before signing in."""
    return st.user.to_dict()


def door(found: Caller) -> None:
    """The page for everybody who is not let in: why, and the button that helps."""
    st.header("fleetbrake", anchor=False)
    st.info(found.refused)
    if found.signed_in:
        if st.button("Sign out", key="sign_out"):
            st.logout()
    elif found.may_sign_in and st.button("Sign in", key="sign_in", type="primary"):
        st.login()


@st.fragment(run_every=LOOKS_AGAIN_S)
def look_again(drawn_for: str) -> None:
    """On a page left open: draw it anew once whoever it was drawn for has left, or has other roles."""
    if caller().person != drawn_for:
        st.rerun(scope="app")


def signed_in_line(found: Caller, plain_name: str) -> None:
    """Name, roles and the way out, quietly at the top right; nothing for the local user."""
    if not found.signed_in:
        return
    roles = ", ".join(sorted(role.value for role in found.viewer.roles))
    with st.container(horizontal=True, horizontal_alignment="right", vertical_alignment="center", key="signed_in"):
        st.caption(f"{plain_name} · {roles}", width="content")
        if st.button("Sign out", key="sign_out", type="tertiary"):
            st.logout()
            return  # the browser is on its way; drawing anew would call it back
    look_again(found.person)


def _local() -> Caller:
    if config.get_option("global.appTest"):  # set by the framework's own test driver, which has no server
        return Caller(LOCAL_USER)
    return local_caller(st.get_option("server.address"), st.context.headers.to_dict(), st.context.ip_address)


def settings() -> SignIn:
    """The sign-in file as it is now: a role that was taken away is gone with the next run of a page.

    A file that is just being written may be half there: what it said before holds for a second then, and no longer.
    """
    path = Path(os.environ.get(SIGN_IN_VARIABLE, ""))
    try:
        status = path.stat()
    except OSError as error:
        raise FleetbrakeError(f"{path}: the sign-in file is gone.") from error
    stamp, port = (status.st_mtime_ns, status.st_ctime_ns, status.st_ino), int(st.get_option("server.port"))
    try:
        _HELD[path, port] = _read(path, stamp, port)
    except FleetbrakeError:
        being_written = 0.0 <= time.time() - status.st_ctime < _WRITTEN_IN_S
        if not being_written or (path, port) not in _HELD:
            raise
    return _HELD[path, port]


@lru_cache(maxsize=2)
def _read(path: Path, _stamp: tuple[int, int, int], port: int) -> SignIn:
    return read_sign_in(path, port)
