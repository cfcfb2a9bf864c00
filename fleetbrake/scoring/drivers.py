"""What each driver does that vehicle, road and chance do not explain: from cells of counts to a posterior."""

import duckdb
import numpy as np
import pandas as pd

from fleetbrake.scoring.drivers_regression import Floats, environment
from fleetbrake.scoring.priors import Priors
from fleetbrake.scoring.rates import Posterior, exact_interval, gamma_poisson, mean_of_rates, widened

#: What the posterior says of a driver, beside the id.
COLUMNS = ("km", "incidents", "expected", "ratio", "ratio_low", "ratio_high", "own_weight", "count_low", "count_high")


def driver_posterior(con: duckdb.DuckDBPyConnection, priors: Priors) -> pd.DataFrame:
    """Incidents of each driver over those expected, shrunk; one row a driver with kilometres, by id.

    Reads the model ``int_driver_cells``; columns as :func:`posterior` gives them.
    """
    return posterior(con.execute("select * from int_driver_cells order by all").df(), priors)


def posterior(cells: pd.DataFrame, priors: Priors) -> pd.DataFrame:
    """From cells (see :func:`~fleetbrake.scoring.drivers_regression.environment`) to one row a driver.

    Columns: driver_id, km, incidents, expected (of an average driver), ratio (1 = average), ratio_low and ratio_high
    (interval of ``driver_level``), own_weight (0 to 1: how much of the ratio is the own count), count_low and
    count_high (exact 95 % limits of the count). Without an incident in the fleet every ratio is 1 and has no interval.
    """
    by_driver = cells.groupby("driver_id", sort=True)
    found = by_driver[["km", "incidents"]].sum().reset_index()
    counts = found["incidents"].to_numpy(np.float64)
    found["count_low"], found["count_high"] = exact_interval(counts)
    if counts.sum() <= 0:
        found["expected"], found["ratio"], found["own_weight"] = 0.0, 1.0, 0.0
        found["ratio_low"] = found["ratio_high"] = 1.0
    else:
        expected, ratio, low, high = _ratios(cells, counts, priors)
        found["expected"], found["ratio"], found["own_weight"] = expected, ratio.mean, 1.0 - ratio.prior_weight
        found["ratio_low"], found["ratio_high"] = low, high
    return found[["driver_id", *COLUMNS]]


def _ratios(cells: pd.DataFrame, counts: Floats, priors: Priors) -> tuple[Floats, Posterior, Floats, Floats]:
    """Expected incidents, posterior of the ratio and its widened interval, one a driver in the order of their ids."""
    around = environment(cells, priors)
    expected: Floats = np.bincount(around.of_driver, around.expected, len(counts)).astype(np.float64)
    # a count that scatters f times as much as chance tells as much as one f times smaller
    told, meant = counts / around.dispersion, expected / around.dispersion
    shape, mean = priors.shape_default, 1.0
    if len(counts) >= priors.shape_drivers:
        # the gamma distribution with the relative variance of the log-normal one
        shape = float(
            np.clip(1.0 / np.expm1(around.spreads["driver_id"] ** 2), priors.shape_least, priors.shape_greatest)
        )
        mean = mean_of_rates(told, meant, shape=shape)
    ratio = gamma_poisson(told, meant, shape=shape, rate=shape / mean, level=priors.driver_level)
    low, high = widened(ratio, around.log_se, level=priors.driver_level)
    return expected, ratio, low, high
