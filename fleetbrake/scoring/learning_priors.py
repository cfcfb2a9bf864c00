"""Numbers of learning from inspections, with unit and reason; as ``scoring.priors``, but no model in SQL reads them."""

from dataclasses import dataclass, fields

from fleetbrake.scoring.observation_priors import prior


@dataclass(frozen=True)
class LearningPriors:
    """When inspections are enough to learn from, how they are cut in time and weighted, when the model is used."""

    defect_severity: float = prior(
        2,
        "1",
        "major and above; Directive 2014/45/EU calls minor what has no significant effect on safety (from memory)",
    )
    weeks_a_run: float = prior(
        1, "1", "own choice: past weeks scored again in a run, newest first, so that a night ends"
    )
    events_a_run: float = prior(
        600_000,
        "1",
        "own choice: events that a run scores at most, today's and past weeks' together; a million take two cores "
        "half a minute, and a night should not take twice that for learning. Above it past weeks wait to be asked for",
    )
    quality_least: float = prior(
        20, "1", "own choice: with fewer inspections nothing can be said even of the priors, and no past week is scored"
    )
    least_inspections: float = prior(
        200, "1", "own choice: 120 to train hold 18 defects and more, two a coefficient; the penalty does the rest"
    )
    least_each: float = prior(30, "1", "own choice: inspections with and without a defect, each; 3 a coefficient")
    least_each_part: float = prior(
        8, "1", "own choice: of each kind in every part; a calibration or a comparison on fewer is chance"
    )
    least_vehicles: float = prior(
        20,
        "1",
        "own choice: different vehicles among the held-out inspections; whole vehicles are drawn for the interval of "
        "the comparison, and of a handful it comes out far too narrow (of one: without any width)",
    )
    train_share: float = prior(0.6, "1", "own choice: oldest inspections, for the coefficients")
    calibrate_share: float = prior(0.2, "1", "own choice: those that follow, for the calibration; the newest compare")
    fold_blocks: float = prior(5, "1", "own choice: four expanding folds within the training inspections, by time")
    evidence_most: float = prior(8.0, "1", "own choice: ln LR beyond 3,000 to 1 tells a regression nothing more")
    weight_most: float = prior(
        5.0, "1", "own choice: greatest weight over the mean; a few lucky draws must not carry the fit"
    )
    win_level: float = prior(
        0.95, "1", "own choice: share of bootstrap draws in which the learned model must have the lower log loss"
    )
    draws: float = prior(2000, "1", "own choice: bootstrap draws; the 5 % point is then within half a percent")
    probability_floor: float = prior(
        0.01, "1", "own choice: one vehicle in a hundred has what no recording shows; a score never clears"
    )
    probability_ceiling: float = prior(0.995, "1", "own choice: model doubt, as that of the priors")
    interval_level: float = prior(0.90, "1", "own choice: as all intervals of scoring")
    interval_z: float = prior(1.6449, "1", "two-sided 90 % of the normal distribution (computed)")
    first: float = prior(10, "1", "own choice: a week's list of one workshop")
    first_share: float = prior(0.1, "1", "own choice: lift among the first tenth is the usual figure")
    bins: float = prior(5, "1", "own choice: bins of the calibration curve, by quantiles; more leave a handful in each")


#: Inverse strengths of the penalty to choose from, weakest last (on standardised features).
PENALTIES = (0.003, 0.03, 0.3, 3.0)

#: Bands of the place in the fleet by prior probability (0 first): own choice, finer where lists are cut.
BANDS = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 1.0)

#: All draws start from this number, so that a run can be repeated.
SEED = 20260101

DEFAULT_LEARNING = LearningPriors()


def rows() -> list[tuple[str, float, str, str]]:
    """Name, value, unit and source of every number, for documentation and reports."""
    return [
        (f.name, getattr(DEFAULT_LEARNING, f.name), f.metadata["unit"], f.metadata["source"])
        for f in fields(LearningPriors)
    ]
