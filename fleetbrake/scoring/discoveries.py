"""False discoveries held down over the fleet: some 23 tests a vehicle and night else flag dozens by chance."""

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

Floats = npt.NDArray[np.float64]

#: What is tested: one row a finding with a deviation, in a fixed order.
_TESTS = (
    "select indicator, measure, vehicle_id, wheel, kind, round(deviation, 9) as deviation, freedom, "
    "round(k_eff, 9) as k_eff, round(n_eff, 9) as n_eff, then_expected, concentration from int_findings "
    "where deviation is not null order by all"
)


def discoveries(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """p and q value of every finding of ``int_findings``: one row an (indicator, measure, vehicle_id, wheel).

    ``p_value``: chance of so bad a deviation of a sound vehicle; Student's t for a level (its noise is estimated from
    few trips), beta-binomial tail for a share. ``q_value``: Benjamini-Hochberg over the fleet (SciPy
    ``false_discovery_control``): among the findings with q below 0.1, one in ten is chance. Tests of one vehicle are
    positively dependent at most, for which the procedure holds (Benjamini and Yekutieli 2001, from memory).
    """
    tests = con.execute(_TESTS).df()
    tests["p_value"] = np.where(tests["kind"] == "level", _level_p(tests), _share_p(tests))
    tests["q_value"] = stats.false_discovery_control(tests["p_value"]) if len(tests) else tests["p_value"]
    return tests[["indicator", "measure", "vehicle_id", "wheel", "p_value", "q_value"]]


def _level_p(tests: pd.DataFrame) -> Floats:
    return np.asarray(stats.t.sf(tests["deviation"], np.maximum(tests["freedom"].fillna(1.0), 1.0)))


def _share_p(tests: pd.DataFrame) -> Floats:
    """Tail of the beta-binomial from the hits on; counts that are less than whole are rounded to the safe side."""
    hits = np.floor(tests["k_eff"].fillna(0.0) + 1e-9)
    tries = np.maximum(np.ceil(tests["n_eff"].fillna(0.0) - 1e-9), hits)
    mean, conc = tests["then_expected"].clip(1e-9, 1.0 - 1e-9), tests["concentration"].fillna(1.0)
    return np.asarray(stats.betabinom.sf(hits - 1.0, tries, mean * conc, (1.0 - mean) * conc))
