"""A big invented fleet with known truth, on which scoring is tried: many vehicles, shared drivers, hidden faults.

The physical model is the demo's. Every size in this folder is an own choice unless a source stands beside it: the
fleet is a proving ground, no picture of a real one.
"""
