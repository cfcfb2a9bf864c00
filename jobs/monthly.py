"""The unattended month: last month's report to a folder or an object store. One JSON line at the end.

Example: python jobs/monthly.py --config fleet.toml
"""

from fleetbrake.cli_jobs import monthly

if __name__ == "__main__":
    monthly()
