"""Inspections into bays and days: which vehicle when, with the reason and the statutory date."""
