"""What vehicle, its faults, road condition, area and traffic explain of the drivers' counts: a Poisson regression.

A cell is a driver in a vehicle with or without a fault, category, condition, area and kind of traffic, with its
kilometres and incidents: ``log E[incidents] = log km + level + driver + vehicle + fault + category + condition + area
+ traffic``. Drivers and vehicles are crossed, so that a hard driver does not make his vehicle look hard, nor the other
way round. All effects are drawn towards 0 by a ridge (scikit-learn's ``PoissonRegressor``); its weight and that of the
vehicles are chosen by cross-validation over pairs of driver and vehicle. The ridge is that of normal effects with the
spread ``sigma = 1 / sqrt(alpha * exposure)`` (posterior mode), which gives the environment its standard error.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import linalg, sparse
from sklearn.linear_model import PoissonRegressor
from threadpoolctl import threadpool_limits

from fleetbrake.scoring.priors import Priors

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Columns of a cell beside ``driver_id`` and ``vehicle_id`` that the environment consists of.
SURROUNDINGS = ("fault", "category", "condition", "area", "traffic")

#: Ridge spreads tried for drivers, and shares of them for vehicles (logarithms of a rate).
SPREADS = (0.2, 0.35, 0.5, 0.8)
VEHICLE_SHARES = (0.5, 0.25, 1.0)


@dataclass(frozen=True)
class Environment:
    """``expected``: incidents of an average driver, one a cell. The others: one a driver, in the order of their ids."""

    expected: Floats
    of_driver: Ints  # one a cell
    log_se: Floats  # standard error of the logarithm of each driver's expected incidents
    dispersion: float  # variance of a count over its mean, 1 or more
    spread: float
    vehicle_share: float


@dataclass(frozen=True)
class _Design:
    """Cells as a sparse matrix of indicators; a group's columns are scaled by its share of the ridge's spread."""

    matrix: sparse.csr_matrix
    drivers: int
    of_driver: Ints
    thousand_km: Floats
    counts: Floats


def environment(cells: pd.DataFrame, priors: Priors) -> Environment:
    """Fit the regression to the cells and take the drivers out of it.

    Parameters
    ----------
    cells : one row a cell: driver_id, vehicle_id, fault, category, condition, area, traffic (text), km (> 0),
        incidents; in a fixed order. At least one incident.

    Returns
    -------
    The environment, scaled so that expected and counted incidents have the same sum.
    """
    with threadpool_limits(limits=1):  # many small products: handing them to threads costs more than doing them
        spread, share = _chosen(cells, priors)
        design = _design(cells, share, priors)
        model = _model(tol=1e-6)
        _fit(model, design, spread, np.ones(len(cells), np.bool_))
        fitted = model.predict(design.matrix) * design.thousand_km
        own = design.matrix[:, : design.drivers] @ model.coef_[: design.drivers]
        expected = fitted * np.exp(-own)
        log_se, leverage = _doubt(design, fitted, expected, spread)
    dispersion = 1.0
    if len(cells) >= priors.dispersion_least:
        # by counts, not by cells: a cell of few kilometres says little of how the counts scatter
        scatter = float(np.sum((design.counts - fitted) ** 2) / np.sum(fitted * (1.0 - leverage)))
        dispersion = max(1.0, scatter)
    return Environment(
        expected=expected * (design.counts.sum() / expected.sum()),
        of_driver=design.of_driver,
        log_se=log_se * np.sqrt(dispersion),
        dispersion=dispersion,
        spread=spread,
        vehicle_share=share,
    )


def _chosen(cells: pd.DataFrame, priors: Priors) -> tuple[float, float]:
    """Spread and vehicles' share of least deviance on pairs held out; where there is too little, the stated ones."""
    pair = pd.factorize(pd.MultiIndex.from_frame(cells[["driver_id", "vehicle_id"]]), sort=True)[0]
    if pair.max() + 1 < priors.choice_least_pairs or cells["incidents"].sum() < priors.choice_least_incidents:
        return priors.effect_spread, VEHICLE_SHARES[0]
    # a fixed shuffle of the pairs in the order of their ids: the same fleet is always cut the same way
    fold = np.random.default_rng(0).permutation(pair.max() + 1)[pair] % int(priors.choice_folds)
    lost = _held_out(_design(cells, VEHICLE_SHARES[0], priors), SPREADS, fold)
    spread = SPREADS[int(np.argmin(lost))]
    others = [_held_out(_design(cells, share, priors), (spread,), fold)[0] for share in VEHICLE_SHARES[1:]]
    return spread, VEHICLE_SHARES[int(np.argmin([lost.min(), *others]))]


def _held_out(design: _Design, spreads: tuple[float, ...], fold: Ints) -> Floats:
    """Poisson deviance of the counts held out, summed over the folds, for each spread.

    Within a fold each fit starts from the one before, from the strongest ridge on: few steps are left to do.
    """
    total = np.zeros(len(spreads))
    for number in np.unique(fold):
        held = fold == number
        model = _model(tol=3e-4)  # enough to compare
        for place, spread in enumerate(spreads):
            _fit(model, design, spread, ~held)
            means = model.predict(design.matrix[held]) * design.thousand_km[held]
            total[place] += deviance(design.counts[held], means)
    return total


def deviance(counts: Floats, means: Floats) -> float:
    """Poisson deviance: twice the sum of ``y ln(y / m) - (y - m)``."""
    logs = counts * np.log(np.where(counts > 0, counts, 1.0) / means)
    return float(2.0 * np.sum(logs - (counts - means)))


def _model(tol: float) -> PoissonRegressor:
    return PoissonRegressor(solver="lbfgs", tol=tol, max_iter=3000, warm_start=True)


def _fit(model: PoissonRegressor, design: _Design, spread: float, use: npt.NDArray[np.bool_]) -> None:
    exposure = design.thousand_km[use]
    # the regressor's objective is the mean over the weights, hence the division
    model.set_params(alpha=1.0 / (spread**2 * exposure.sum()))
    model.fit(design.matrix[use], design.counts[use] / exposure, sample_weight=exposure)


def _design(cells: pd.DataFrame, vehicle_share: float, priors: Priors) -> _Design:
    scales = {
        "driver_id": 1.0,
        "vehicle_id": vehicle_share,
        "fault": priors.fault_share,
        "category": priors.category_share,
        "condition": priors.category_share,
        "area": priors.area_share,
        "traffic": priors.category_share,
    }
    coded = {name: pd.factorize(cells[name], sort=True) for name in scales}
    rows = np.arange(len(cells))
    blocks = [
        sparse.csr_matrix((np.full(len(cells), scales[name]), (rows, codes)), shape=(len(cells), len(levels)))
        for name, (codes, levels) in coded.items()
    ]
    codes, levels = coded["driver_id"]
    return _Design(
        matrix=sparse.hstack(blocks, format="csr"),
        drivers=len(levels),
        of_driver=codes.astype(np.int64),
        thousand_km=cells["km"].to_numpy(np.float64) / 1000.0,
        counts=cells["incidents"].to_numpy(np.float64),
    )


def _doubt(design: _Design, fitted: Floats, expected: Floats, spread: float) -> tuple[Floats, Floats]:
    """Standard error of each driver's log environment ``(D,)`` without dispersion, and each cell's leverage ``(C,)``.

    The inverse of the penalised information, in blocks: the drivers' block is diagonal and is eliminated (Schur
    complement), so that only the environment's block, level included, has to be factored.
    """
    cells = len(fitted)
    around = sparse.hstack([design.matrix[:, design.drivers :], np.ones((cells, 1))], format="csr")
    member = sparse.csr_matrix((np.ones(cells), (design.of_driver, np.arange(cells))), shape=(design.drivers, cells))
    ridge = 1.0 / spread**2
    own = member @ fitted + ridge  # (D,)
    cross = (member @ sparse.diags(fitted) @ around).toarray() / own[:, None]  # (D, V)
    inner = (around.T @ sparse.diags(fitted) @ around).toarray() - cross.T @ (cross * own[:, None])
    # the level is free; a trace of ridge keeps the block invertible where every group has one member
    inner[np.diag_indices_from(inner)] += np.append(np.full(inner.shape[0] - 1, ridge), 1e-9 * ridge)
    covariance = linalg.cho_solve(linalg.cho_factor(inner), np.eye(inner.shape[0]))
    # a driver's log expected moves with the mean of his cells' indicators; a step that all drivers share is no doubt,
    # since expected and counted incidents are given the same sum
    weight = (member @ sparse.diags(expected) @ around).toarray() / (member @ expected)[:, None]
    weight -= (expected @ around) / expected.sum()
    log_variance = np.einsum("dv,dv->d", weight @ covariance, weight)
    leverage = fitted * _variance_of_cells(around, design.of_driver, own, cross, covariance)
    return np.sqrt(np.maximum(log_variance, 0.0)), np.clip(leverage, 0.0, 0.99)


def _variance_of_cells(
    around: sparse.csr_matrix, of_driver: Ints, own: Floats, cross: Floats, covariance: Floats
) -> Floats:
    """Variance of each cell's fitted logarithm ``(C,)``: ``1 / own + (x - cross)' covariance (x - cross)``."""
    cells = around.shape[0]
    column, value = around.indices.reshape(cells, -1), around.data.reshape(cells, -1)
    spanned = cross @ covariance
    mixed = np.einsum("cg,cg->c", spanned[of_driver[:, None], column], value)
    square = np.zeros(cells)
    for first in range(column.shape[1]):  # six groups and the level
        product = covariance[column[:, [first]], column] * value
        square += value[:, first] * product.sum(axis=1)
    return np.asarray(1.0 / own[of_driver] + square - 2.0 * mixed + np.einsum("dv,dv->d", spanned, cross)[of_driver])
