"""The unattended night: new recordings in, what is too old out, scores, plan. One JSON line at the end.

Example: python jobs/nightly.py --config fleet.toml
"""

from fleetbrake.cli_jobs import nightly

if __name__ == "__main__":
    nightly()
