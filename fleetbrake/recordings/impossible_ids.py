"""Ids of a recording that no id can be: see :mod:`fleetbrake.core.foreign_text`."""

from typing import Any

import numpy as np
import numpy.typing as npt

from fleetbrake.core.foreign_text import id_problem
from fleetbrake.recordings.validation import Findings


def impossible(ids: npt.NDArray[Any]) -> list[tuple[int, str]]:
    """Positions of what cannot be an id, and why; None is no id at all and not told."""
    given = ids.tolist()
    wrong = {one: id_problem(one) for one in set(given) if isinstance(one, str)}
    if not any(wrong.values()):
        return []
    return [(place, problem) for place, one in enumerate(given) if isinstance(one, str) and (problem := wrong[one])]


def reject_impossible(name: str, ids: npt.NDArray[Any], findings: Findings) -> None:
    """Reject the events whose id of that name cannot be one."""
    for event, problem in impossible(ids):
        findings.reject(np.array([event]), f"the {name} {problem}")
