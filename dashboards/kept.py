"""Reads kept between two looks at a page: as long as nothing new was published or entered, nothing is read again."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import streamlit as st

from fleetbrake.store import entered
from fleetbrake.store.database import publication_stamp

Read = TypeVar("Read")

#: Reads kept at most, over all people who look; the oldest go first.
_MOST_KEPT = 96


def kept(read: Callable[..., Read], store: Path, *given: Any) -> Read:
    """``read(store, *given)``, remembered until the database is replaced or somebody enters something.

    The caller gets a copy of its own. Raises what ``read`` raises, which is not remembered.
    """
    stamps = (*publication_stamp(store), entered.stamp(store))
    found: Read = _kept(f"{read.__module__}.{read.__qualname__}", str(store), stamps, given, read)
    return found


@st.cache_data(max_entries=_MOST_KEPT, show_spinner=False)
def _kept(name: str, store: str, stamps: tuple[int, ...], given: tuple[Any, ...], _read: Callable[..., Any]) -> Any:
    return _read(Path(store), *given)
