"""Who sits before the pages, asked anew on every run: the local user, or whom the sign-in names. Nothing is kept."""

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit import config
from streamlit.runtime.secrets import secrets_singleton

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
#: The server looks at it so often (s), so that what holds meanwhile is what it said just before. Own choice.
_READ_EACH_S = 0.25
#: What the file said when it could be used last, and when that was (s, of a clock that nobody sets).
_HELD: dict[tuple[Path, int], tuple[SignIn, float]] = {}

#: What the framework was handed last.
_HANDED: list[SignIn] = []
#: Held from reading the file until it is handed over: of two who read two states of it, the older one must not be last.
_HANDING = threading.Lock()

#: A sentence goes into the log so often (s). Own choice. And when it did last.
_TOLD_EACH_S = 60.0
_TOLD: dict[str, float] = {}

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
        _tell(str(error))
        return Caller(NOBODY, _BROKEN)


def _tell(sentence: str) -> None:
    """Into the log, and no more than once a minute: whoever asks for nothing but this must not fill the disk."""
    now = time.monotonic()
    if now - _TOLD.get(sentence, -_TOLD_EACH_S) >= _TOLD_EACH_S:
        _TOLD.clear()
        _TOLD[sentence] = now
        logging.getLogger("fleetbrake").error("%s", sentence)


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
            return  # the browser is on its way; drawing anew would call it back
    elif found.may_sign_in and st.button("Sign in", key="sign_in", type="primary"):
        st.login()
        return
    look_again(found)  # what keeps whoever sits here out may be over soon


@st.fragment(run_every=LOOKS_AGAIN_S)
def look_again(drawn_for: Caller) -> None:
    """On a page left open: draw it anew once who sits there has left, has other roles, or is told something else."""
    now = caller()
    if (now.person, now.refused) != (drawn_for.person, drawn_for.refused):
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
            return  # as above
    look_again(found)


def _local() -> Caller:
    if config.get_option("global.appTest"):  # set by the framework's own test driver, which has no server
        return Caller(LOCAL_USER)
    return local_caller(st.get_option("server.address"), st.context.headers.to_dict(), st.context.ip_address)


def settings() -> SignIn:
    """The sign-in file as it is now: a role that was taken away is gone with the next run of a page.

    A file that is just being written may be half there, or away: what it said holds for a second after it could be
    read last, and no longer.
    """
    path, port = Path(os.environ.get(SIGN_IN_VARIABLE, "")), int(st.get_option("server.port"))
    with _HANDING:
        try:
            found = _read(path, _stamp(path), port)
        except FleetbrakeError:
            held, read_at = _HELD.get((path, port), (None, 0.0))
            if held is None or time.monotonic() - read_at > _WRITTEN_IN_S:
                raise
            return held
        _hand_over(found)
        _HELD[path, port] = found, time.monotonic()
        return found


def _hand_over(found: SignIn) -> None:
    """Let the framework sign cookies and speak with the provider by what was read just now, and no other way.

    Its own watcher of the file ends for good once the file is half-written or away; a key that was changed would not
    hold then. FleetbrakeError where it takes no value of that kind.
    """
    if _HANDED and _HANDED[-1] is found:
        return
    try:
        secrets_singleton.merge_programmatic_secrets({"auth": dict(found.auth)})
    except TypeError as error:
        raise FleetbrakeError(f"{found.path}: [auth] holds a value that the pages cannot take.") from error
    _HANDED[:] = [found]


def keep_reading() -> None:
    """Look at the file again and again, in a thread of its own that ends with the process."""

    def _look() -> None:
        while True:
            try:
                settings()
            except FleetbrakeError:
                pass  # told to whoever asks for something
            except Exception as error:  # whatever it is, the next look may find a better file
                _tell(f"The sign-in file cannot be looked at: {type(error).__name__}: {error}")
            time.sleep(_READ_EACH_S)

    threading.Thread(target=_look, name="sign-in file", daemon=True).start()


def _stamp(path: Path) -> tuple[int, int, int, int]:
    """What is another once the file was changed."""
    try:
        status = path.stat()
    except FileNotFoundError as error:
        raise FleetbrakeError(f"{path}: the sign-in file is gone.") from error
    except OSError as error:
        raise FleetbrakeError(f"{path}: the sign-in file cannot be read: {error.strerror}.") from error
    return status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_size


@lru_cache(maxsize=2)
def _read(path: Path, _at: tuple[int, int, int, int], port: int) -> SignIn:
    return read_sign_in(path, port)
