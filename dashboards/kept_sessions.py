"""What the framework keeps of a page whose connection was cut, for its browser to go on with: of those inside alone."""

from sign_in import caller_of, sign_in_named
from streamlit.runtime import memory_session_storage
from streamlit.runtime.session_manager import SessionInfo

from fleetbrake.access.gate import MOST_INSIDE


class OfInsiders(memory_session_storage.MemorySessionStorage):
    """As the framework's own, which keeps 128 pages for some minutes, of whoever opened one last.

    A page before the door holds nothing to go on with: kept as well, a hundred of them, opened and closed, would drop
    those of people who are let in.
    """

    def __init__(self, maxsize: int = MOST_INSIDE, ttl_seconds: int = 120) -> None:
        super().__init__(maxsize, ttl_seconds)

    def save(self, session_info: SessionInfo) -> None:
        """Keep it if it is of somebody who is let in."""
        told = dict(getattr(session_info.session, "_user_info"))  # noqa: B009 - not of its interface
        if not sign_in_named() or caller_of(lambda: told).viewer.roles:
            super().save(session_info)

    def delete(self, session_id: str) -> None:
        """Forget it, if it was kept."""
        self._cache.pop(session_id, None)


def keep_insiders_alone() -> None:
    """From now on, for the server that is made next."""
    setattr(memory_session_storage, "MemorySessionStorage", OfInsiders)  # noqa: B010 - a class, not to be assigned to
