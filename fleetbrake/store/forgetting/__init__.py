"""Forgetting a driver: keyed tombstones, the rules for every row on its way in, erasing what is there, searching."""
