"""fleetbrake: brake events of a vehicle fleet, from recordings to a ranked inspection list."""

__version__ = "0.1.0"
