"""Decisions on flat arrays: where the brake was applied, which wheels locked, where pressure was modulated.

First a characteristic function (array to array), then a decision with two thresholds and a shortest duration. Knows
NumPy and Numba only. Kernels take sample positions; the outer functions take seconds and SI units.
"""
