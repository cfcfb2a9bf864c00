"""Typed reads of ``model_quality``: what the health scores rest on, and how well that was borne out by inspections."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd

from fleetbrake.reports.source import frame

PRIOR, LEARNED = "prior", "learned"

#: What a figure says, in a few words; others keep their own name.
FIGURE_TEXT: Final = {
    "log_loss": "log loss (lower is better)",
    "brier": "squared error of the probability (lower is better)",
    "precision_first_10": "defects among the first 10",
    "lift_first_10_percent": "defects among the first tenth, over all",
    "log_loss_gain": "log loss of the priors less that of the learned model",
}

_SENTENCES: Final = {
    LEARNED: "Health scores rest on a model learned from past inspections.",
    PRIOR: "Health scores rest on stated priors, not on learned figures.",
}


@dataclass(frozen=True)
class ModelInUse:
    """``name`` is ``prior`` or ``learned``; ``sentence`` says so and why. ``name`` is None where nothing was scored.

    ``waiting`` says how many past weeks with inspections are still to be scored, empty if none."""

    name: str | None
    sentence: str
    waiting: str = ""


def model_in_use(store: Path, as_of: date | None = None) -> ModelInUse:
    """The model behind the health scores of ``as_of`` (default: the newest day), in words for a person."""
    found = frame(
        store,
        "SELECT figure, model, value, note FROM model_quality WHERE figure IN ('in_use', 'weeks_not_scored') "
        "AND as_of = coalesce(CAST(? AS DATE), (SELECT max(as_of) FROM vehicle_health)) ORDER BY figure",
        [as_of],
    )
    told = {row.figure: row for row in found.itertuples()}
    if "in_use" not in told:
        return ModelInUse(None, "")
    name, why, weeks = str(told["in_use"].model), told["in_use"].note, told.get("weeks_not_scored")
    sentence = " ".join([_SENTENCES.get(name, ""), why if isinstance(why, str) else ""]).strip()
    return ModelInUse(name, sentence, "" if weeks is None else f"Past weeks waiting: {weeks.value:.0f} ({weeks.note}).")


def model_quality(store: Path) -> pd.DataFrame:
    """Figures of the newest day scored, both models: model, in_use, figure (words), value, low, high, n, note.

    Without the calibration curve (see :func:`calibration`), counts and coefficients.
    """
    found = frame(store, _NEWEST + "AND predicted IS NULL ORDER BY figure, model")
    found = found[found["figure"].isin(FIGURE_TEXT)].drop(columns=["as_of", "predicted"])
    return found.assign(figure=[FIGURE_TEXT[name] for name in found["figure"]]).reset_index(drop=True)


def calibration(store: Path) -> pd.DataFrame:
    """Bins of the calibration curve of the newest day: model, predicted, value (share found), low, high, n."""
    found = frame(store, _NEWEST + "AND predicted IS NOT NULL ORDER BY model, predicted")
    return found[["model", "predicted", "value", "low", "high", "n"]]


_NEWEST: Final = "SELECT * FROM model_quality WHERE as_of = (SELECT max(as_of) FROM vehicle_health) "
