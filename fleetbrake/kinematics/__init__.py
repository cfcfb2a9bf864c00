"""Physics of a braking vehicle on flat arrays: arrays in, arrays out. Knows NumPy and Numba only.

Conventions of every function: ``offsets`` int64 ``(E + 1,)`` marks the events in flat sample arrays of length ``N``;
NaN means "not observed"; speeds m/s, times s from the event's first sample, decelerations m/s2 (positive = slowing).
``start`` and ``stop`` int64 ``(E,)`` bound a phase as absolute sample positions ``[start, stop)``.
"""
