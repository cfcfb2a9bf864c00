"""Seeded random flat arrays for comparing kernels with their twins: irregular stamps, ties, NaN bursts, tiny events."""

from dataclasses import dataclass

import numpy as np


@dataclass
class Case:
    """Flat arrays of a few events; ``start``/``stop`` bound a phase in each, -1 where there is none."""

    rng: np.random.Generator
    offsets: np.ndarray
    time_s: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    event_of: np.ndarray

    @property
    def events(self):
        return len(self.offsets) - 1

    @property
    def samples(self):
        return len(self.time_s)

    def blend(self, values, share=0.15):
        """NaN bursts in about half of the cases."""
        values = np.array(values, float)
        if values.size and self.rng.random() < 0.5:
            for _ in range(self.rng.integers(1, 4)):
                at = self.rng.integers(0, values.shape[-1])
                values[..., at : at + self.rng.integers(1, max(2, int(share * values.shape[-1])))] = np.nan
        return values

    def coarse(self, rows, most=4):
        """Small whole numbers over four: many ties, exact sums."""
        shape = (rows, self.samples)
        return self.blend(self.rng.integers(0, most + 1, shape) / 4.0)

    def wander(self, low=0.0, high=25.0):
        """A speed that wanders and mostly falls."""
        steps = self.rng.normal(-0.3, 1.0, self.samples)
        out = np.empty(self.samples)
        for a, b in zip(self.offsets[:-1], self.offsets[1:], strict=True):
            out[a:b] = self.rng.uniform(5, high) + np.cumsum(steps[a:b])
        return np.maximum(out, low)

    def marks(self, share=0.7):
        return self.rng.random(self.samples) < share

    def wheels(self, speed, rows=2):
        """Wheels of that speed that slip, lock, freeze and drop out."""
        out = np.tile(speed, (rows, 1)) * (
            1.0 - self.rng.choice([0.0, 0.05, 0.2, 0.92, 0.97, 1.0], (rows, self.samples))
        )
        for row in out:
            if row.size > 4:
                a = self.rng.integers(0, row.size)
                row[a : a + 12] = row[a]
                b = self.rng.integers(0, row.size)
                row[b : b + 9] = 0.0
        return self.blend(out)


def case(seed, *, most_events=4, longest=60):
    """One random case; zero events in about one of twelve."""
    rng = np.random.default_rng(seed)
    events = 0 if rng.random() < 0.08 else int(rng.integers(1, most_events + 1))
    lengths = rng.choice([1, 2, 3, 8, longest // 2, longest], events)
    offsets = np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)
    step = float(rng.choice([0.01, 0.02, 0.1, 0.5]))
    even = rng.random() < 0.5
    times = []
    for n in lengths:
        steps = (
            np.full(n, step)
            if even
            else step * rng.choice([0.5, 1.0, 1.0, 1.0, 3.0, 40.0], n, p=[0.1, 0.3, 0.2, 0.2, 0.18, 0.02])
        )
        times.append(np.cumsum(steps) - steps[0] if n else steps)
    time_s = np.concatenate(times) if times else np.zeros(0)
    # clear of the kernels' tolerance on time: stamps are whole microseconds
    time_s = np.round(time_s, 6)
    start = offsets[:-1] + (rng.random(events) * lengths * 0.4).astype(np.int64)
    stop = start + np.maximum(1, (rng.random(events) * (offsets[1:] - start + 1)).astype(np.int64))
    stop = np.minimum(stop, offsets[1:])
    gone = rng.random(events) < 0.15
    event_of = np.repeat(np.arange(events), lengths)
    return Case(rng, offsets, time_s, np.where(gone, -1, start), np.where(gone, -1, stop), event_of)
