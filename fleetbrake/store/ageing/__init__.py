"""Retention: positions, driver ids and records that are older than the rules of the store allow."""
