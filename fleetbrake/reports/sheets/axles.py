"""The axles of a vehicle as its register row tells them, for pictures from above."""

import re
from typing import Any

import pandas as pd

from fleetbrake.core.vocabulary import MAX_AXLES

#: Axles drawn where no register tells how many there are and no finding names one further back (own choice).
USUAL_AXLES = 2


def axle_count(register: dict[str, Any]) -> int:
    """How many axles to draw, 1 to :data:`~fleetbrake.core.vocabulary.MAX_AXLES`."""
    known = register.get("axles")
    return USUAL_AXLES if known is None or pd.isna(known) else min(max(int(known), 1), MAX_AXLES)


def axle_numbers(text: object) -> set[int]:
    """Axles that a register's text names: ``3``, ``2+3``."""
    return {int(number) for number in re.findall(r"[1-9]", text)} if isinstance(text, str) else set()


def front_word(category: object) -> str:
    """What is ahead of the first axle: the coupling of a trailer (categories O1 to O4), else the front."""
    return "coupling" if str(category).startswith("O") else "front"
