"""Roles and what each may open and do. Whatever is not granted here is refused."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Role(StrEnum):
    """What a person is there for. One person may have several."""

    PLANNER = "planner"
    SAFETY = "safety"
    ANALYST = "analyst"
    ADMIN = "admin"


_ALL: Final = frozenset(Role)

#: Page -> the roles that may open it.
PAGES: Final[dict[str, frozenset[Role]]] = {
    "inspections": _ALL,
    "vehicle": _ALL,
    "event": _ALL,
    "drivers": frozenset({Role.SAFETY, Role.ANALYST, Role.ADMIN}),
    "month": frozenset({Role.SAFETY, Role.ANALYST, Role.ADMIN}),
    "recordings": frozenset({Role.PLANNER, Role.ANALYST, Role.ADMIN}),
}

#: Roles that may plan, decide on flags, enter findings and have the fleet scored again.
_ACTING: Final = frozenset({Role.PLANNER, Role.ADMIN})
#: The role that sees drivers' names and where a vehicle was. Nobody else does, the admin included.
_NAMES: Final = frozenset({Role.SAFETY})


@dataclass(frozen=True)
class Viewer:
    """Who looks: a name for the history of flags, and the roles that a sign-in or the local machine gave."""

    name: str
    roles: frozenset[Role]
    local: bool = False

    def may_open(self, page: str) -> bool:
        """Whether one of the roles may open the page; an unknown page may nobody open."""
        return bool(self.roles & PAGES.get(page, frozenset()))

    @property
    def may_act(self) -> bool:
        """Whether the viewer may plan, decide, enter findings, score."""
        return bool(self.roles & _ACTING)

    @property
    def sees_drivers(self) -> bool:
        """Whether drivers' ids are shown as they are; else as stable aliases."""
        return bool(self.roles & _NAMES)

    @property
    def sees_positions(self) -> bool:
        """Whether the place of an event is shown."""
        return bool(self.roles & _NAMES)


#: Whoever sits at the machine itself, where nobody has to sign in.
LOCAL_USER: Final = Viewer("local user", _ALL, local=True)

#: Nobody: what a page takes a person for until a sign-in says otherwise.
NOBODY: Final = Viewer("", frozenset())
