"""The hand-made fleet of the scoring tests serves the plan too."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "scoring"))
