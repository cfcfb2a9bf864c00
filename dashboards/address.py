"""Choices that stand in the address, so that a view can be sent as a link and Back restores it.

The address is the truth: before a widget is drawn its state is taken from there, and a change by hand is written there
before the page is drawn again. The framework's own binding is not used: it carries one page's choices over to the next
page that a link leads to, and leaves an entry in the browser's history that mixes both.
"""

from collections.abc import Callable, Sequence
from typing import Any

import streamlit as st

_SEEN = "address_seen"


def tell_address(page: str, standing: dict[str, str]) -> None:
    """Let the browser show the address of what is drawn: a link within one page does not change it otherwise.

    ``standing`` is what holds on every page. Nothing is told while the page changes: the browser would take it for the
    address of the page that is left, and Back would lead to a mixture of both.
    """
    now = (page, st.query_params.to_dict())
    before = st.session_state.get(_SEEN)
    if before is not None and before[0] == page and (before != now or not standing.items() <= now[1].items()):
        said: dict[str, str | list[str]] = {name: st.query_params.get_all(name) for name in st.query_params}
        st.query_params.from_dict({**said, **standing})
        now = (page, st.query_params.to_dict())
    st.session_state[_SEEN] = now


def many(place: Any, label: str, options: Sequence[str], key: str, **looks: Any) -> list[str]:
    """Several of the options, by the address; what the address names and the options lack is left out."""
    st.session_state[key] = [name for name in st.query_params.get_all(key) if name in options]
    return list(place.multiselect(label, options, key=key, on_change=_written, args=(key, None), **looks))


def one(place: Any, label: str, options: Sequence[str], key: str, first: str | None, **looks: Any) -> str | None:
    """One of the options in a list; ``first`` where the address names none of them (None: nothing is chosen)."""
    st.session_state[key] = _asked(options, key, first)
    start = {} if first is not None else {"index": None}
    chosen = place.selectbox(label, options, key=key, on_change=_written, args=(key, first), **start, **looks)
    return None if chosen is None else str(chosen)


def beside(place: Any, label: str, options: Sequence[str], key: str, first: str, **looks: Any) -> str:
    """One of a few options beside each other, always one; ``first`` where the address names none."""
    st.session_state[key] = _asked(options, key, first)
    return str(
        place.segmented_control(
            label, options, key=key, required=True, on_change=_written, args=(key, first), **looks
        )
    )  # fmt: skip


def switch(label: str, key: str) -> bool:
    """A switch that is off unless the address says ``true``."""
    st.session_state[key] = st.query_params.get(key) == "true"
    return bool(st.toggle(label, key=key, on_change=_written, args=(key, False)))


def known(key: str, options: Sequence[str], sort: str, clip: Callable[[str], str]) -> str | None:
    """The one that the address asks for, or that is chosen from the list; the first where it asks for none.

    One that is not there (any more) is told and nothing is chosen in its place: the address stays as it is.
    """
    asked = st.query_params.get(key)
    if asked is not None and asked not in options:
        st.warning(f"There is no such {sort} in this store:")
        st.text(clip(asked))
    first = options[0] if asked is None and options else None
    return one(
        st, sort.capitalize(), options, key, first, label_visibility="collapsed", width=420,
        placeholder=f"choose a {sort}",
    )  # fmt: skip


def _asked(options: Sequence[str], key: str, first: str | None) -> str | None:
    asked = st.query_params.get(key)
    return asked if asked in options else first


def _written(key: str, first: object) -> None:
    """Write what was just chosen into the address; what is chosen anyway does not stand there."""
    value = st.session_state.get(key)
    if value in (None, first, []):
        st.query_params.pop(key, None)
    elif isinstance(value, bool):
        st.query_params[key] = "true"
    else:
        st.query_params[key] = value
