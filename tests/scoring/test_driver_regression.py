"""The regression of the drivers' counts: against statsmodels, against invented fleets' truth, beside a ceiling.

The ceiling is an estimator that counts as perfectly as chance allows and knows the true environment. Seeds 100 to 199
were for tuning; those used here from 2000 on were not looked at while tuning.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import statsmodels.api as sm
from a_few import a_few
from driver_counts import Counts, Scene, cells_where_roads_and_drivers_go_together, draw, shape_by_likelihood
from scipy import sparse, stats

from fleetbrake.scoring import drivers_regression
from fleetbrake.scoring.drivers import posterior
from fleetbrake.scoring.drivers_regression import GROUPS, environment
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.scoring.rates import mean_of_rates

Floats = npt.NDArray[np.float64]

SMALL = Scene(drivers=60, vehicles=40, depots=3)


@dataclass(frozen=True)
class Figures:
    """How well one fleet's drivers were told apart; ranks by Spearman's correlation with the true rate."""

    raw: float
    adjusted: float
    ceiling: float
    covered: float


def figures(counts: Counts) -> Figures:
    found = posterior(counts.cells, DEFAULT)
    scale = 1000.0 * found["incidents"].sum() / found["km"].sum()
    truth = counts.true_rate
    shape = shape_by_likelihood(counts.counted, counts.expected, least=0.3, greatest=100.0)
    best = (shape + counts.counted) / (shape + counts.expected)
    inside = (found["ratio_low"] * scale <= truth) & (truth <= found["ratio_high"] * scale)

    def rank(estimate: npt.ArrayLike) -> float:
        return float(stats.spearmanr(estimate, truth)[0])

    return Figures(rank(counts.counted / counts.km), rank(found["ratio"]), rank(best), float(np.mean(inside)))


SCENES = {
    "usual": Scene(),
    "no noise between days": replace(Scene(), day_shape=50.0),
    "few stops": replace(Scene(), per_1000km=1.0),
    "own vehicles": replace(Scene(), at_home=0.9),
    "kinds of traffic": replace(Scene(), traffic_spread=0.8),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", a_few(SCENES, 2, 4))
def test_drivers_of_fleets_never_seen_are_told_apart(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Four fleets of 300 drivers each: mean rank correlation within 0.03 of the ceiling, 85 to 95 % of truths covered.

    1200 drivers make a standard error of 0.9 % of the coverage and about 0.003 of the distance to the ceiling. Where
    drivers keep to their own vehicle on nine days of ten, nothing but the tenth day tells the two apart: 0.07 there.
    """
    found = [figures(draw(seed, SCENES[name])) for seed in range(2000, 2004)]
    mean = {key: float(np.mean([getattr(f, key) for f in found])) for key in Figures.__dataclass_fields__}
    with capsys.disabled():
        print(f"\n{name}: " + ", ".join(f"{key} {value:.3f}" for key, value in mean.items()))
    assert mean["raw"] < mean["adjusted"] <= mean["ceiling"] + 0.01
    assert mean["adjusted"] > mean["ceiling"] - (0.07 if name == "own vehicles" else 0.03)
    assert 0.85 <= mean["covered"] <= 0.95


def test_a_small_fleet_is_better_ranked_than_by_counting() -> None:
    found = [figures(draw(seed, SMALL)) for seed in range(2100, 2106)]
    gain = np.mean([f.adjusted - f.raw for f in found])
    assert gain > 0.03  # seen on tuning seeds: about 0.1
    assert 0.80 <= np.mean([f.covered for f in found]) <= 0.97  # 360 drivers: standard error 1.6 %


def test_crossed_drivers_and_vehicles_come_apart() -> None:
    """Given hard drivers in all vehicles and hard vehicles with all drivers, expect each to keep its own factor."""
    cells = pd.DataFrame(
        {"driver_id": f"d{d}", "vehicle_id": f"v{v}", "km": 5000.0,
         "incidents": 10.0 * (3 if d == 0 else 1) * (3 if v == 0 else 1)}
        for d in range(8) for v in range(8)
    ).assign(fault="", category="N3", condition="dry", area="A", traffic="unknown")  # fmt: skip
    found = posterior(cells, DEFAULT).set_index("driver_id")
    # exact counts without noise: what is left of the factor 3 is the shrinkage of 8 drivers
    assert found.loc["d0", "ratio"] / found.loc["d1", "ratio"] == pytest.approx(3.0, rel=0.1)
    expected = environment(cells, DEFAULT).expected
    by_vehicle = pd.Series(expected).groupby(cells["vehicle_id"]).sum()
    assert by_vehicle["v0"] / by_vehicle["v1"] == pytest.approx(3.0, rel=0.1)


def indicators(cells: pd.DataFrame, columns: list[str]) -> Floats:
    return np.column_stack([pd.get_dummies(cells[c]).to_numpy(float) for c in columns])


def test_the_fit_is_that_of_statsmodels(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same cells, the same ridge: fitted means of a penalised Poisson regression of another library.

    Its penalty is ``alpha / 2`` times the squares, on the mean log-likelihood of a cell; ours on that of a thousand
    km. The 0.1 % are the two optimisers' tolerances.
    """
    cells = draw(2200, replace(SMALL, drivers=25, vehicles=15)).cells
    ours = environment(cells, DEFAULT)
    blocks = [indicators(cells, [group]) * ours.spreads[group] for group in GROUPS]
    design = np.column_stack([np.ones(len(cells)), *blocks])
    model = sm.GLM(cells["incidents"], design, family=sm.families.Poisson(), exposure=cells["km"] / 1000.0)
    ridge = np.full(design.shape[1], ours.dispersion / len(cells))
    ridge[0] = 0.0
    theirs = model.fit_regularized(alpha=ridge, L1_wt=0.0, maxiter=2000, cnvrg_tol=1e-10)
    drivers = blocks[0].shape[1]
    around = design.copy()
    around[:, 1 : 1 + drivers] = 0.0
    expected = np.exp(around @ theirs.params) * cells["km"].to_numpy() / 1000.0
    expected *= cells["incidents"].sum() / expected.sum()
    np.testing.assert_allclose(ours.expected, expected, rtol=1e-3)


def test_without_a_ridge_it_is_the_plain_regression_of_statsmodels() -> None:
    """Every driver in every vehicle, spreads of 30: effects of drivers relative to each other, and their errors.

    The standard error of a driver's environment is that of the weighted mean of the vehicles' effects in the plain
    regression's covariance matrix, dispersion by Pearson aside.
    """
    rng = np.random.default_rng(2300)
    cells = pd.DataFrame(
        [(f"d{d}", f"v{v}", float(rng.uniform(2e3, 6e3))) for d in range(6) for v in range(5)],
        columns=["driver_id", "vehicle_id", "km"],
    ).assign(fault="", category="N3", condition="dry", area="A", traffic="unknown")
    factor = 1.0 + cells.index.to_numpy() % 5 * 0.3
    cells["incidents"] = rng.poisson(cells["km"] / 1000.0 * 4.0 * factor).astype(float)
    free = replace(DEFAULT, driver_spread=30.0, vehicle_spread=30.0, spread_levels=1e9, dispersion_least=1e9)
    ours = environment(cells, free)
    design = np.column_stack([indicators(cells, ["driver_id"]), indicators(cells, ["vehicle_id"])[:, 1:]])
    plain = sm.GLM(cells["incidents"], design, family=sm.families.Poisson(), exposure=cells["km"] / 1000.0).fit()
    vehicles = np.append(0.0, plain.params[6:])
    expected = cells["km"].to_numpy() * np.exp(vehicles[cells.index % 5])
    expected *= cells["incidents"].sum() / expected.sum()
    np.testing.assert_allclose(ours.expected, expected, rtol=2e-3)
    weight = np.array([expected * (cells["driver_id"] == f"d{d}") for d in range(6)])
    weight = np.array([[w[cells.index % 5 == v].sum() for v in range(1, 5)] for w in weight]) / weight.sum(
        1, keepdims=True
    )
    whole = np.array([expected[cells.index % 5 == v].sum() for v in range(1, 5)]) / expected.sum()
    covariance = plain.cov_params().to_numpy()[6:, 6:]
    errors = np.sqrt(np.einsum("dv,vw,dw->d", weight - whole, covariance, weight - whole))
    np.testing.assert_allclose(ours.log_se, errors, rtol=0.02)


def test_the_shape_is_that_of_statsmodels_negative_binomial() -> None:
    """The likelihood of another library, ``alpha = 1 / shape``, is greatest at our shape (1 % to either side)."""
    rng = np.random.default_rng(2400)
    expected = rng.uniform(3, 30, 400)
    counts = rng.poisson(expected * rng.gamma(3.0, 1 / 3.0, 400))
    ours = shape_by_likelihood(counts, expected, least=0.5, greatest=50.0)

    def likelihood(shape: float) -> float:
        family = sm.families.NegativeBinomial(alpha=1.0 / shape)
        return float(family.loglike(counts.astype(float), expected))

    assert likelihood(ours) > max(likelihood(ours * 1.01), likelihood(ours / 1.01))
    assert ours == pytest.approx(3.0, rel=0.25)  # sampling error of 400 drivers: about 8 %


def test_the_dispersion_is_found_again() -> None:
    """Poisson counts have 1; counts that come in threes have 3. 10 % is three standard errors of 2000 cells."""
    rng = np.random.default_rng(2500)
    cells = pd.DataFrame(
        [(f"d{d:02d}", f"v{v:02d}") for d in range(45) for v in range(45)], columns=["driver_id", "vehicle_id"]
    ).assign(fault="", category="N3", condition="dry", area="A", traffic="unknown", km=1000.0)
    cells["incidents"] = rng.poisson(4.0, len(cells)).astype(float)
    assert environment(cells, DEFAULT).dispersion == pytest.approx(1.0, rel=0.1)
    cells["incidents"] = 3.0 * rng.poisson(4.0, len(cells))
    assert environment(cells, DEFAULT).dispersion == pytest.approx(3.0, rel=0.1)


def test_the_spread_of_drivers_and_vehicles_is_found_again() -> None:
    """Crossed log-normal effects with spreads 0.6 and 0.25, 60 of each: within three standard errors (0.16 and 0.07).

    The stated spreads (0.5, 0.3) count as eight of them and move the answer by far less.
    """
    rng = np.random.default_rng(2650)
    cells = pd.DataFrame(
        [(f"d{d:02d}", f"v{v:02d}") for d in range(60) for v in range(60)], columns=["driver_id", "vehicle_id"]
    ).assign(fault="", category="N3", condition="dry", area="A", traffic="unknown", km=1000.0)
    drivers, vehicles = rng.normal(0.0, 0.6, 60), rng.normal(0.0, 0.25, 60)
    cells["incidents"] = rng.poisson(2.0 * np.exp(np.add.outer(drivers, vehicles).ravel())).astype(float)
    found = environment(cells, DEFAULT).spreads
    assert found["driver_id"] == pytest.approx(0.6, abs=0.16)
    assert found["vehicle_id"] == pytest.approx(0.25, abs=0.07)


def test_the_mean_of_the_rates_is_that_of_greatest_likelihood() -> None:
    """Negative binomial counts of SciPy: no mean to either side is likelier; not the sum of counts over exposure."""
    rng = np.random.default_rng(2660)
    exposure = np.append(rng.uniform(1, 5, 200), 5000.0)
    counts = rng.poisson(exposure * np.append(rng.gamma(3.0, 2.0 / 3.0, 200), 0.5))

    def likelihood(mean: float) -> float:
        return float(stats.nbinom.logpmf(counts, 3.0, 3.0 / (3.0 + mean * exposure)).sum())

    ours = mean_of_rates(counts, exposure, shape=3.0)
    assert likelihood(ours) > max(likelihood(ours * 1.005), likelihood(ours / 1.005))
    assert ours == pytest.approx(2.0, rel=0.2)  # sampling error 5 %; counts over exposure give 0.7


def of_hard_drivers(**scene: float) -> tuple[float, float]:
    """Mean ratio of hard over gentle drivers (truth: 2), and share of true ratios inside their intervals."""
    ratios, inside = [], []
    share, town = scene.get("in_town", 0.85), scene.get("town", 12.0)
    gentle = share * town + (1.0 - share)  # stops of a gentle driver's road, and of a hard one's below
    hard = (1.0 - share) * town + share
    scale = (gentle + 2.0 * hard) / (gentle + hard)
    truth = np.repeat([1.0 / scale, 2.0 / scale], 10)
    for seed in range(2900, 2908):
        found = posterior(cells_where_roads_and_drivers_go_together(seed, **scene), DEFAULT)
        ratio = found["ratio"].to_numpy()
        ratios.append(ratio[10:].mean() / ratio[:10].mean())
        inside.append(((found["ratio_low"] <= truth) & (truth <= found["ratio_high"])).mean())
    return float(np.mean(ratios)), float(np.mean(inside))


@pytest.mark.parametrize("scene", a_few([{}, {"town": 3.0}, {"in_town": 0.6}], 1))
def test_hard_drivers_on_easy_roads_are_not_taken_for_gentle_ones(scene: dict[str, float]) -> None:
    """By the counts alone the hard drivers would have a third to all of the gentle ones' rate.

    20 drivers with some 20 stops each are drawn together, hence not 2. The intervals of one fleet err together (the
    road is common to ten drivers): of eight fleets the share inside has a standard error of 3 to 4 %.
    """
    ratio, inside = of_hard_drivers(**scene)
    assert ratio > 1.5
    assert inside >= 0.80


def test_nearly_no_exchange_of_roads_is_told_by_the_standard_error() -> None:
    """Given one day in twenty on the other road, expect three times the doubt of two days in five.

    Even so only about three in four intervals hold the truth there (computed on 30 such fleets): exchangeable drivers
    would hardly ever make such a fleet, and the page says that intervals may be too narrow.
    """

    def doubt(in_town: float) -> float:
        fleets = (cells_where_roads_and_drivers_go_together(seed, in_town=in_town) for seed in range(2920, 2923))
        return float(np.mean([environment(cells, DEFAULT).log_se[10:] for cells in fleets]))

    assert doubt(0.95) > 3.0 * doubt(0.6)


def test_the_order_of_names_and_a_second_run_change_nothing() -> None:
    """The cells are given in a fixed order; the same cells give the same numbers to the last bit."""
    cells = draw(2700, SMALL).cells
    pd.testing.assert_frame_equal(posterior(cells, DEFAULT), posterior(cells.copy(), DEFAULT))


@pytest.mark.parametrize("cells", [1, 2])
def test_next_to_nothing_is_enough(cells: int) -> None:
    frame = pd.DataFrame(
        {"driver_id": ["a", "b"], "vehicle_id": ["v", "v"], "km": [100.0, 100.0], "incidents": [2.0, 0.0]}
    )
    frame = frame.assign(fault="", category="N3", condition="dry", area="A", traffic="unknown").head(cells)
    found = posterior(frame, DEFAULT)
    assert np.isfinite(found.drop(columns="driver_id").to_numpy(float)).all()
    assert (found["ratio_low"] < found["ratio"]).all() and (found["ratio"] < found["ratio_high"]).all()


def test_no_incident_at_all_makes_no_difference_between_drivers() -> None:
    cells = draw(2800, replace(SMALL, per_1000km=0.0)).cells
    found = posterior(cells, DEFAULT)
    assert (found["ratio"] == 1.0).all() and (found["own_weight"] == 0.0).all()


def test_sparse_blocks_of_big_fleets_are_the_dense_ones() -> None:
    """Same sums in another order: ten digits at matrices of this size, whose condition is some 1e4."""
    rng = np.random.default_rng(5)
    cells, drivers, levels = 400, 60, 45
    member = sparse.csr_matrix(
        (np.ones(cells), (rng.integers(drivers, size=cells), np.arange(cells))), (drivers, cells)
    )
    around = sparse.csr_matrix((np.ones(cells), (np.arange(cells), rng.integers(levels, size=cells))), (cells, levels))
    weights = sparse.diags(rng.uniform(0.1, 3.0, cells))
    joined, inner = member @ weights @ around, around.T @ weights @ around
    own, ridge = member @ np.ones(cells) + 1.0, np.full(levels, 0.5)
    dense = drivers_regression._dense_blocks(joined, inner, own + 4.0, ridge)
    spare = drivers_regression._sparse_blocks(joined, inner, own + 4.0, ridge)
    for one, other in zip(dense, spare, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-10, atol=1e-14)
