"""What vehicle, its faults, road condition, area and traffic explain of the drivers' counts: a Poisson regression.

A cell is a driver in a vehicle with or without a fault, category, condition, area and kind of traffic, with its
kilometres and incidents: ``log E[incidents] = log km + level + driver + vehicle + fault + category + condition + area
+ traffic``. Drivers and vehicles are crossed, so that a hard driver does not make a vehicle look hard, nor the other
way round. It is a mixed model: an effect is drawn towards 0 as one from a normal distribution of its group is, by a
ridge of weight ``1 / spread^2`` (scikit-learn's ``PoissonRegressor``). The spreads of drivers, vehicles, faults and
areas come from the effects, round by round: mean square of the effects plus their variance (penalised quasi-likelihood
with variance components; Breslow and Clayton 1993, Schall 1991, from memory), joined with stated ones that count as so
many levels. Those of category, condition and traffic are wide and fixed: few levels with many counts each, so that a
driver's habit is not taken for the road, nor the road for a habit.
"""

from dataclasses import dataclass
from typing import Final

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
GROUPS: Final = ("driver_id", "vehicle_id", *SURROUNDINGS)
#: Groups whose spread is found from their effects.
_FOUND: Final = ("driver_id", "vehicle_id", "fault", "area")
#: Drivers times levels of the environment up to which dense matrices are quicker (own choice: 8 MB).
DENSE_MOST: Final = 1_000_000


@dataclass(frozen=True)
class Environment:
    """``expected``: incidents of an average driver, one a cell. The others: one a driver, in the order of their ids."""

    expected: Floats
    of_driver: Ints  # one a cell
    log_se: Floats  # standard error of the logarithm of each driver's expected incidents
    dispersion: float  # variance of a count over its mean, 1 or more
    spreads: dict[str, float]  # one a group: standard deviation of its effects (logarithms of a rate)


@dataclass(frozen=True)
class _Design:
    """Cells as a sparse matrix of indicators, group beside group, and what they are fitted to."""

    matrix: sparse.csr_matrix
    sizes: Ints  # levels of each group
    of_driver: Ints
    thousand_km: Floats
    counts: Floats

    @property
    def drivers(self) -> int:
        return int(self.sizes[0])


@dataclass(frozen=True)
class _Fit:
    """Effects of all groups' levels, what is fitted, and the inverse of the penalised information (see _fitted)."""

    effects: Floats  # (L + 1,): the level last
    variances: Floats  # (L,)
    means: Floats  # (C,)
    covariance: Floats  # (V, V): environment and level
    leverage: Floats  # (C,)


def environment(cells: pd.DataFrame, priors: Priors) -> Environment:
    """Fit the regression to the cells and take the drivers out of it.

    Parameters
    ----------
    cells : one row a cell: driver_id, vehicle_id, fault, category, condition, area, traffic (text), km (> 0),
        incidents; in a fixed order. At least one incident.

    Returns
    -------
    The environment, scaled so that expected and counted incidents have the same sum. Its standard error joins, in
    squares, that of the regression and what changes when drivers are hardly drawn together (``confounding_factor``):
    where driver and road come together, the answer rests on how alike drivers are held to be.
    """
    with threadpool_limits(limits=1):  # many small products: handing them to threads costs more than doing them
        design = _design(cells)
        spreads, dispersion, fit = _components(design, priors)
        expected = _expected(design, fit.effects)
        wide = spreads.copy()
        wide[0] *= priors.confounding_factor
        other = _expected(design, _effects(design, wide, dispersion, fit.effects))
    of = design.of_driver
    moved = np.log(np.bincount(of, other) / np.bincount(of, expected))
    return Environment(
        expected=expected,
        of_driver=of,
        log_se=np.hypot(_log_se(design, expected, fit.covariance), moved),
        dispersion=dispersion,
        spreads=dict(zip(GROUPS, spreads.tolist(), strict=True)),
    )


def _components(design: _Design, priors: Priors) -> tuple[Floats, float, _Fit]:
    """Spread of each group's effects and dispersion of the counts, found in turns with the fit; the last fit."""
    stated = np.array([getattr(priors, f"{group.removesuffix('_id')}_spread") for group in GROUPS])
    spreads, dispersion = stated.copy(), 1.0
    ends = np.cumsum(design.sizes)
    weight = np.where(np.isin(GROUPS, _FOUND), priors.spread_levels, np.inf)
    effects = np.zeros(ends[-1])
    for _ in range(int(priors.spread_rounds)):
        fit = _fitted(design, spreads, dispersion, effects)
        squares = np.add.reduceat(fit.effects[:-1] ** 2 + fit.variances, ends - design.sizes)
        own = design.sizes / (design.sizes + weight)
        found = np.sqrt(own * squares / design.sizes + (1.0 - own) * stated**2)
        done = np.max(np.abs(np.log(found / spreads))) < priors.spread_change
        spreads, effects = found, fit.effects
        if len(design.counts) >= priors.dispersion_least:
            # by counts, not by cells: a cell of few kilometres says little of how the counts scatter
            scatter = np.sum((design.counts - fit.means) ** 2) / np.sum(fit.means * (1.0 - fit.leverage))
            dispersion = max(1.0, float(scatter))
        if done:
            break
    return spreads, dispersion, _fitted(design, spreads, dispersion, effects)


def _design(cells: pd.DataFrame) -> _Design:
    coded = {name: pd.factorize(cells[name], sort=True) for name in GROUPS}
    rows, ones = np.arange(len(cells)), np.ones(len(cells))
    blocks = [
        sparse.csr_matrix((ones, (rows, codes)), shape=(len(cells), len(levels))) for codes, levels in coded.values()
    ]
    return _Design(
        matrix=sparse.hstack(blocks, format="csr"),
        sizes=np.array([block.shape[1] for block in blocks], dtype=np.int64),
        of_driver=coded["driver_id"][0].astype(np.int64),
        thousand_km=cells["km"].to_numpy(np.float64) / 1000.0,
        counts=cells["incidents"].to_numpy(np.float64),
    )


def _effects(design: _Design, spreads: Floats, dispersion: float, start: Floats) -> Floats:
    """Effects ``(L + 1,)`` of least penalised deviance, the level last; the search begins at ``start``."""
    scale = np.repeat(spreads, design.sizes)
    model = PoissonRegressor(solver="lbfgs", tol=1e-6, max_iter=3000, warm_start=True)
    # the regressor's objective is the mean over the weights, hence the division
    model.set_params(alpha=dispersion / design.thousand_km.sum())
    model.coef_ = start[: len(scale)] / scale
    model.intercept_ = np.log(design.counts.sum() / design.thousand_km.sum())
    rates = design.counts / design.thousand_km
    model.fit(design.matrix @ sparse.diags(scale), rates, sample_weight=design.thousand_km)
    return np.asarray(np.append(model.coef_ * scale, model.intercept_))


def _expected(design: _Design, effects: Floats) -> Floats:
    """Incidents of an average driver in each cell ``(C,)``, with the sum of those counted."""
    around = design.matrix[:, design.drivers :] @ effects[design.drivers : -1]
    expected = design.thousand_km * np.exp(around)
    return np.asarray(expected * (design.counts.sum() / expected.sum()))


def _fitted(design: _Design, spreads: Floats, dispersion: float, start: Floats) -> _Fit:
    """The mode and the inverse of the penalised information there.

    In blocks: the drivers' block is diagonal and is eliminated (Schur complement), so that only the environment's
    block, level included, has to be factored.
    """
    effects = _effects(design, spreads, dispersion, start)
    means = design.thousand_km * np.exp(design.matrix @ effects[:-1] + effects[-1])
    weights = means / dispersion
    around, member = _around(design), _member(design)
    own = member @ weights + 1.0 / spreads[0] ** 2  # (D,)
    joined = member @ sparse.diags(weights) @ around  # (D, V)
    inner = around.T @ sparse.diags(weights) @ around
    # the level is free, but for a trace that keeps the block invertible
    ridge = np.append(np.repeat(1.0 / spreads[1:] ** 2, design.sizes[1:]), 1e-9)
    blocks = _dense_blocks if joined.shape[0] * joined.shape[1] <= DENSE_MOST else _sparse_blocks
    covariance, spanned, of_drivers = blocks(joined, inner, own, ridge)
    of_cells = _variance_of_cells(around, design.of_driver, of_drivers, spanned, covariance)
    return _Fit(
        effects=effects,
        variances=np.concatenate([of_drivers, np.diag(covariance)[:-1]]),
        means=means,
        covariance=covariance,
        leverage=np.clip(weights * of_cells, 0.0, 0.99),
    )


def _dense_blocks(
    joined: sparse.csr_matrix, inner: sparse.csr_matrix, own: Floats, ridge: Floats
) -> tuple[Floats, Floats, Floats]:
    """Covariance of the environment ``(V, V)``, its product with ``cross`` ``(D, V)``, variance of drivers ``(D,)``."""
    cross = joined.toarray() / own[:, None]
    left = inner.toarray() - cross.T @ (cross * own[:, None])
    left[np.diag_indices_from(left)] += ridge
    covariance = linalg.cho_solve(linalg.cho_factor(left), np.eye(left.shape[0]))
    spanned = cross @ covariance
    return covariance, spanned, 1.0 / own + np.einsum("dv,dv->d", spanned, cross)


def _sparse_blocks(
    joined: sparse.csr_matrix, inner: sparse.csr_matrix, own: Floats, ridge: Floats
) -> tuple[Floats, Floats, Floats]:
    """As :func:`_dense_blocks`, for big fleets, where a driver meets few of the vehicles."""
    cross = (sparse.diags(1.0 / own) @ joined).tocsr()
    left = (inner - cross.T @ sparse.diags(own) @ cross).toarray()
    left[np.diag_indices_from(left)] += ridge
    # a third of the work of solving for every column
    half, failed = linalg.lapack.dpotri(linalg.cholesky(left))
    if failed:
        raise linalg.LinAlgError("the information of the environment cannot be inverted")
    covariance = np.asarray(half + np.triu(half, 1).T)
    spanned = cross @ covariance
    return covariance, spanned, 1.0 / own + np.asarray(cross.multiply(spanned).sum(axis=1)).ravel()


def _around(design: _Design) -> sparse.csr_matrix:
    """Indicators of the environment and the level ``(C, V)``."""
    level = np.ones((len(design.counts), 1))
    return sparse.hstack([design.matrix[:, design.drivers :], level], format="csr")


def _member(design: _Design) -> sparse.csr_matrix:
    """Which driver a cell belongs to ``(D, C)``."""
    cells = len(design.counts)
    return sparse.csr_matrix((np.ones(cells), (design.of_driver, np.arange(cells))), shape=(design.drivers, cells))


def _log_se(design: _Design, expected: Floats, covariance: Floats) -> Floats:
    """Standard error of each driver's log environment ``(D,)``: it moves with the mean of the cells' indicators.

    A step that all drivers share is no doubt, since expected and counted incidents are given the same sum.
    """
    around, member = _around(design), _member(design)
    weight = (member @ sparse.diags(expected) @ around).toarray() / (member @ expected)[:, None]
    weight -= (expected @ around) / expected.sum()
    log_variance = np.einsum("dv,dv->d", weight @ covariance, weight)
    return np.sqrt(np.maximum(log_variance, 0.0))


def _variance_of_cells(
    around: sparse.csr_matrix, of_driver: Ints, of_drivers: Floats, spanned: Floats, covariance: Floats
) -> Floats:
    """Variance of each cell's fitted logarithm ``(C,)``: driver's, environment's, less twice what they share."""
    cells = around.shape[0]
    column, value = around.indices.reshape(cells, -1), around.data.reshape(cells, -1)
    mixed = np.einsum("cg,cg->c", spanned[of_driver[:, None], column], value)
    square = np.zeros(cells)
    for first in range(column.shape[1]):  # six groups and the level
        square += value[:, first] * (covariance[column[:, [first]], column] * value).sum(axis=1)
    return np.asarray(of_drivers[of_driver] + square - 2.0 * mixed)
