"""Invented inspections for the tests of learning: what the recordings said before each, and what was found.

Each indicator finds its own kind of fault: log odds = base + coefficient * ln LR, and an inspection finds a defect if
there is any. The priors take all evidence at its word (coefficient 1). Where that is the truth they cannot be beaten.
"""

import numpy as np

from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.scoring.learning_rows import Visits, from_logit

WORDS = {name: number for number, name in enumerate(INDICATORS)}
BASE = -3.9  # log odds of one kind of fault where nothing is known: 2 %, 15 % for any of eight


def invented(
    seed: int,
    n: int,
    coefficients: dict[str, float] | None = None,
    *,
    base: float = BASE,
    days: int = 700,
    by_rank: bool = True,
    unseen: float = 0.1,
) -> Visits:
    """``n`` inspections in order of time. ``coefficients`` of what is not named are 1, as the priors believe."""
    rng = np.random.default_rng(seed)
    pool = 6 * n if by_rank else n
    # a mixture: most vehicles show nothing, some a clear deviation of one indicator
    ln_lr = np.clip(rng.normal(-1.5, 1.0, (pool, len(INDICATORS))), -4, None)
    hit = rng.random(pool) < 0.35
    ln_lr[hit, rng.integers(0, len(INDICATORS), pool)[hit]] = rng.uniform(1, 8, int(hit.sum()))
    ln_lr[rng.random(ln_lr.shape) < unseen] = np.nan
    told = np.nan_to_num(ln_lr)
    true = np.ones(len(INDICATORS))
    for name, value in (coefficients or {}).items():
        true[WORDS[name]] = value
    prior = _any(base + told)
    found = rng.random(pool) < _any(base + told * true)
    place = (np.argsort(np.argsort(-prior, kind="stable"), kind="stable") + 0.5) / pool
    keep = _chosen(rng, place, n) if by_rank else np.arange(pool)
    day = 20_000 + np.sort(rng.integers(0, days, len(keep)))
    return Visits(
        vehicle=rng.integers(0, max(2, n // 3), len(keep)),
        day=day,
        week=day - day % 7 - 1,
        found=found[keep],
        prior=np.clip(prior[keep], 0.004, 0.995),
        ln_lr=ln_lr[keep],
        place=place[keep],
        fleet=np.full(len(keep), 200.0),
    )


def _any(log_odds: np.ndarray) -> np.ndarray:
    return 1 - np.prod(1 - from_logit(log_odds), axis=1)


def _chosen(rng: np.random.Generator, place: np.ndarray, n: int) -> np.ndarray:
    """As inspections are: half from the first fifth of the list, the rest by date, whatever the list says."""
    chance = np.where(place < 0.2, 2.5, 0.625)
    return np.sort(rng.choice(len(place), n, replace=False, p=chance / chance.sum()))
