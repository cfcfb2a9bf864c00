"""Learning inside a run: evidence before inspections, the model, what it says today, and the figures in the store."""

from datetime import date

import duckdb
import numpy as np
import pandas as pd

from fleetbrake.core.tables import TABLES
from fleetbrake.scoring import models
from fleetbrake.scoring.inspection_history import LN_LR, NOT_YET, History, bring_up_to_date, publish, snapshot
from fleetbrake.scoring.learning import LEARNED, PRIOR, Learning, learn
from fleetbrake.scoring.learning_priors import DEFAULT_LEARNING, LearningPriors
from fleetbrake.scoring.learning_quality import Figure
from fleetbrake.scoring.learning_rows import Visits
from fleetbrake.scoring.priors import Priors

LEFT_OUT = "left_out"
_NO_SCORES = {name: np.empty(0, dtype="<U1") for name in ("vehicle_id", "weighed_most")} | {
    name: np.empty(0) for name in ("probability", "log_odds", "model_width")
}


def learn_from_inspections(
    con: duckdb.DuckDBPyConnection,
    day: date,
    priors: Priors,
    numbers: LearningPriors = DEFAULT_LEARNING,
    *,
    all_weeks: bool = False,
) -> Learning:
    """Fill ``inspection_evidence`` and the rows of ``day`` in ``model_quality``; returns what was learned.

    Only inspections up to and with ``day`` count. Leaves no temporary table but those of :func:`evaluate`.
    """
    models.drop_temporary(con)
    history = bring_up_to_date(con, day, priors, numbers, all_weeks=all_weeks)
    used = history.visits["left_out_reason"].isna()
    learning = learn(visits_of(history.visits[used]), numbers)
    publish(con, _with_parts(history.visits, used, learning))
    _publish_quality(con, day, learning, _told_of_history(history, used))
    return learning


def give_scores(con: duckdb.DuckDBPyConnection, learning: Learning) -> None:
    """Make ``learned_scores`` for ``int_final_scores`` from the models that stand: empty unless the model is in use."""
    model = learning.model if learning.in_use == LEARNED else None
    if model is None:
        models.give(con, "learned_scores", pd.DataFrame(_NO_SCORES))
        return
    now = snapshot(con)
    ln_lr, prior = now[list(LN_LR)].to_numpy(np.float64), now["prior_probability"].to_numpy(np.float64)
    scores = now[["vehicle_id"]].assign(
        probability=model.probability(ln_lr, prior),
        log_odds=model.log_odds(ln_lr, prior),
        model_width=model.numbers.interval_z * model.log_odds_se(ln_lr, prior),
        weighed_most=model.weighed_most(ln_lr, prior),
    )
    models.give(con, "learned_scores", scores)


def visits_of(rows: pd.DataFrame) -> Visits:
    """Rows of ``inspection_evidence`` that are not left out, as arrays in the same order."""
    return Visits(
        vehicle=np.unique(rows["vehicle_id"].to_numpy(dtype=str), return_inverse=True)[1].astype(np.int64),
        day=_days(rows["inspected_on"]),
        week=_days(rows["evidence_as_of"]),
        found=rows["found"].to_numpy(dtype=bool),
        prior=rows["prior_probability"].to_numpy(np.float64),
        ln_lr=rows[list(LN_LR)].to_numpy(np.float64),
        place=rows["place"].to_numpy(np.float64),
        fleet=rows["fleet_vehicles"].to_numpy(np.float64),
    )


def _days(dates: pd.Series) -> np.ndarray:
    return np.array([at.toordinal() for at in dates], dtype=np.int64)


def _with_parts(visits: pd.DataFrame, used: pd.Series, learning: Learning) -> pd.DataFrame:
    visits = visits.assign(part=LEFT_OUT, selection_weight=np.nan)
    visits.loc[used, "part"] = learning.part
    visits.loc[used, "selection_weight"] = learning.weights
    return visits


def _told_of_history(history: History, used: pd.Series) -> list[Figure]:
    reasons = history.visits.loc[~used, "left_out_reason"].value_counts().sort_index()
    told = "; ".join(f"{count} x {reason}" for reason, count in reasons.items())
    rows = [Figure(PRIOR, "inspections_left_out", float((~used).sum()), len(used), note=told or None)]
    if history.weeks_missing:
        note = f"{NOT_YET}: they are scored in later runs, or all at once when asked for (score --all-history)"
        if history.events_too_many:
            note = (
                f"{NOT_YET}: a run would work through {history.events_too_many} events for one more, and a night's "
                "leaves that out; score --all-history does it"
            )
        rows.append(Figure(PRIOR, "weeks_not_scored", float(history.weeks_missing), history.weeks_missing, note=note))
    return rows


def _publish_quality(con: duckdb.DuckDBPyConnection, day: date, learning: Learning, more: list[Figure]) -> None:
    first = Figure(learning.in_use, "in_use", None, len(learning.part), note=learning.why)
    rows = pd.DataFrame([vars(figure) for figure in (first, *learning.figures, *more)])
    rows = rows.assign(as_of=day, in_use=rows["model"] == learning.in_use)
    names = [column.name for column in TABLES["model_quality"]]
    models.give(con, "quality_in", rows[names].round(9))
    listed = ", ".join(f'"{name}"' for name in names)
    con.execute("delete from model_quality where as_of = ?", [day])
    con.execute(f"insert into model_quality ({listed}) select {listed} from quality_in")  # noqa: S608 - own names
    con.execute("drop table temp.quality_in")
