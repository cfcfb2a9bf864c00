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
from driver_counts import Counts, Scene, draw
from scipy import stats
from sklearn.metrics import mean_poisson_deviance

from fleetbrake.scoring.drivers import posterior
from fleetbrake.scoring.drivers_regression import SURROUNDINGS, deviance, environment
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.scoring.rates import shape_by_likelihood

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
@pytest.mark.parametrize("name", SCENES)
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
    columns = ["driver_id", "vehicle_id", *SURROUNDINGS]
    share = {
        "driver_id": 1.0,
        "vehicle_id": ours.vehicle_share,
        "area": DEFAULT.area_share,
        "fault": DEFAULT.fault_share,
    }
    blocks = [indicators(cells, [c]) * share.get(c, DEFAULT.category_share) for c in columns]
    design = np.column_stack([np.ones(len(cells)), *blocks])
    model = sm.GLM(cells["incidents"], design, family=sm.families.Poisson(), exposure=cells["km"] / 1000.0)
    ridge = np.full(design.shape[1], 1.0 / (ours.spread**2 * len(cells)))
    ridge[0] = 0.0
    theirs = model.fit_regularized(alpha=ridge, L1_wt=0.0, maxiter=2000, cnvrg_tol=1e-10)
    drivers = blocks[0].shape[1]
    around = design.copy()
    around[:, 1 : 1 + drivers] = 0.0
    expected = np.exp(around @ theirs.params) * cells["km"].to_numpy() / 1000.0
    expected *= cells["incidents"].sum() / expected.sum()
    np.testing.assert_allclose(ours.expected, expected, rtol=1e-3)


def test_without_a_ridge_it_is_the_plain_regression_of_statsmodels() -> None:
    """Every driver in every vehicle, a spread of 1000: effects of drivers relative to each other, and their errors.

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
    free = replace(DEFAULT, effect_spread=1000.0, choice_least_pairs=1e9, dispersion_least=1e9)
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
    few = replace(DEFAULT, choice_least_pairs=1e9)
    cells["incidents"] = rng.poisson(4.0, len(cells)).astype(float)
    assert environment(cells, few).dispersion == pytest.approx(1.0, rel=0.1)
    cells["incidents"] = 3.0 * rng.poisson(4.0, len(cells))
    assert environment(cells, few).dispersion == pytest.approx(3.0, rel=0.1)


def test_the_deviance_is_that_of_scikit_learn() -> None:
    rng = np.random.default_rng(2600)
    mean = rng.uniform(0.1, 5.0, 50)
    counts = rng.poisson(mean).astype(float)
    assert deviance(counts, mean) == pytest.approx(50 * mean_poisson_deviance(counts, mean), rel=1e-9)


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
