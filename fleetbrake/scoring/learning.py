"""Learning from inspections: is there enough, what is learned, and does it beat the priors? Arrays in, values out."""

from dataclasses import dataclass, field

import numpy as np

from fleetbrake.scoring.learning_model import LearnedModel, fit
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING, LearningPriors
from fleetbrake.scoring.learning_quality import Figure, figures_of, losses, mean_with_interval
from fleetbrake.scoring.learning_rows import (
    FEATURES,
    HELD_OUT,
    PARTS,
    Visits,
    effective_number,
    parts_by_time,
    selection_weights,
)
from fleetbrake.scoring.rates import Floats

PRIOR, LEARNED = "prior", "learned"


@dataclass(frozen=True)
class Learning:
    """What came of it. ``in_use`` is ``learned`` only if ``model`` won; ``why`` says so in a sentence."""

    model: LearnedModel | None
    in_use: str
    why: str
    part: np.ndarray
    weights: Floats
    figures: list[Figure] = field(default_factory=list)


def learn(visits: Visits, numbers: LearningPriors = DEFAULT_LEARNING) -> Learning:
    """Fit, calibrate and compare strictly by time; the priors stay in use unless the learned model clearly wins.

    ``visits`` in any order that is the same for the same rows. The model compared is the model used: it is not fitted
    again on the inspections that it was compared on.
    """
    part = parts_by_time(visits.day, numbers)
    weights = np.ones(len(visits))
    for name in PARTS:  # each part from its own inspections: nothing later reaches an earlier one
        weights[part == name] = selection_weights(visits.where(part == name), numbers)
    missing = too_little(visits, part, numbers)
    if missing:
        return _priors_only(visits, part, weights, missing, numbers)
    model = fit(visits, weights, part, numbers)
    return _compared(visits, part, weights, model, numbers)


def too_little(visits: Visits, part: np.ndarray, numbers: LearningPriors) -> str:
    """What is missing for a model to be learned, as a sentence; empty if nothing is."""
    defects, n = int(visits.found.sum()), len(visits)
    if n < numbers.least_inspections or min(defects, n - defects) < numbers.least_each:
        return (
            f"{n} inspections with evidence from before, {defects} of them with a defect; a model is learned from "
            f"{numbers.least_inspections:.0f}, with {numbers.least_each:.0f} of either kind."
        )
    for name in PARTS:
        found = visits.found[part == name]
        if min(found.sum(), (~found).sum()) < numbers.least_each_part:
            return (
                f"The {name.replace('_', ' ')} part has {len(found)} inspections, {int(found.sum())} of them with a "
                f"defect; {numbers.least_each_part:.0f} of either kind are needed in every part."
            )
    vehicles = len(np.unique(visits.vehicle[part == HELD_OUT]))
    if vehicles < numbers.least_vehicles:
        return (
            f"The held out part has inspections of {vehicles} vehicle{'' if vehicles == 1 else 's'}; "
            f"{numbers.least_vehicles:.0f} are needed to tell whether a learned model is better."
        )
    return ""


def _priors_only(visits: Visits, part: np.ndarray, weights: Floats, why: str, numbers: LearningPriors) -> Learning:
    """All inspections tell how good the priors were, since none was needed to learn from."""
    weights = selection_weights(visits, numbers)
    rows = _figures(PRIOR, visits, visits.prior, weights, numbers)
    return Learning(None, PRIOR, why, part, weights, _counts(visits, part, weights) + rows)


def _compared(
    visits: Visits, part: np.ndarray, weights: Floats, model: LearnedModel, numbers: LearningPriors
) -> Learning:
    held = part == HELD_OUT
    later, later_weights = visits.where(held), weights[held]
    learned = model.probability(later.ln_lr, later.prior)
    prior = _bounded(later.prior, numbers)
    gains = losses(later.found, prior) - losses(later.found, learned)
    level = 2 * numbers.win_level - 1  # one-sided: the lower end of a two-sided interval
    gain, low, high = mean_with_interval(gains, later_weights, later.vehicle, numbers, level)
    wins = low > 0
    why = (
        f"On {len(later)} later inspections the learned model's log loss is {abs(gain):.3f} "
        f"{'lower' if gain > 0 else 'higher'} than the priors' (90 % interval of the gain {low:.3f} to {high:.3f}): "
        f"{'it is used.' if wins else 'the priors stay in use.'}"
    )
    rows = [
        *_counts(visits, part, weights),
        *_figures(PRIOR, later, later.prior, later_weights, numbers),
        *_figures(LEARNED, later, learned, later_weights, numbers),
        Figure(LEARNED, "log_loss_gain", gain, len(later), low, high, note="log loss of the priors less that learned"),
        Figure(
            LEARNED,
            "inverse_penalty",
            model.chosen.penalty,
            int((part == PARTS[0]).sum()),
            note=f"chosen by folds in time, with the columns: {model.chosen.design}",
        ),
        *(
            Figure(LEARNED, f"coefficient_{name}", float(value), int((part == PARTS[0]).sum()))
            for name, value in zip(FEATURES, model.coefficients(), strict=True)
        ),
    ]
    return Learning(model, LEARNED if wins else PRIOR, why, part, weights, rows)


def _figures(model: str, visits: Visits, p: Floats, weights: Floats, numbers: LearningPriors) -> list[Figure]:
    return figures_of(model, visits.found, _bounded(p, numbers), weights, visits.vehicle, numbers)


def _bounded(probability: Floats, numbers: LearningPriors) -> Floats:
    """Log loss asks for probabilities off 0 and 1; both models are held to the same bounds."""
    return np.clip(probability, numbers.probability_floor, numbers.probability_ceiling)


def _counts(visits: Visits, part: np.ndarray, weights: Floats) -> list[Figure]:
    n, defects = len(visits), int(visits.found.sum())
    rows = [
        Figure(PRIOR, "inspections", float(n), n, note="with enough evidence from before"),
        Figure(PRIOR, "defects", float(defects), n),
        Figure(PRIOR, "effective_inspections", effective_number(weights), n, note="what the weights leave of them"),
    ]
    for name in PARTS:
        here = part == name
        rows.append(Figure(PRIOR, f"inspections_{name}", float(here.sum()), int(visits.found[here].sum()),
                           note="n: of them with a defect"))  # fmt: skip
    return rows
