"""What the night tells of what is unusual: once when it is new, and in figures every night."""

from typing import Any, Final

from fleetbrake.core.errors import StoreError
from fleetbrake.reports.unusual_reads import unusual
from fleetbrake.store import runs
from fleetbrake.unattended.names import numbered
from fleetbrake.unattended.run import Run

#: New sentences told in one line, and known ones kept to be known tomorrow; own choices.
MOST_NEW: Final = 20
MOST_KEPT: Final = 2000
#: Earlier runs looked through for one that told; a quarter of nightly and monthly runs.
_RUNS_BACK: Final = 100
_FACT: Final = "unusual"


def tell_unusual(run: Run) -> None:
    """Silent vehicles, more rejected files than usual, channels gone from a category: new ones as warnings.

    The facts have the numbers and, shortened to what stays the same, which ones are known: whatever the last run that
    told had not is new. A night that is killed before its line is written tells nothing, and the next one does.

    Raises
    ------
    StoreError
        Nothing is published, or the history of runs cannot be read.
    """
    found = unusual(run.store)
    sentences = {run.names(what): sentence for what, sentence in found.sentences(_folder).items()}
    before = _told_before(run)
    new = [sentence for what, sentence in sentences.items() if what not in before]
    run.warning(*new[:MOST_NEW])
    if len(new) > MOST_NEW:
        run.warning(f"And {len(new) - MOST_NEW} more that are new: see the page Recordings.")
    run.facts[_FACT] = {
        "silent_vehicles": len(found.silent),
        "rejected_above_usual": len(found.rejects),
        "channels_gone": len(found.gone),
        "new": len(new),
        "known": sorted(sentences)[:MOST_KEPT],
    }


def _folder(path: str) -> str:
    """A folder by the fingerprint of its path, as recordings are; the page Recordings has it by name."""
    return numbered(path).replace("file", "folder", 1)


def _told_before(run: Run) -> frozenset[str]:
    """What the newest earlier run of this job told, by what stays the same; empty where none did."""
    try:
        earlier = runs.last_runs(run.store, _RUNS_BACK)
    except StoreError as error:
        run.log.warning("%s", error)
        return frozenset()
    for one in earlier:
        told: Any = one.summary.get(_FACT)
        if one.job == run.job and isinstance(told, dict):
            return frozenset(map(str, told.get("known", ())))
    return frozenset()
