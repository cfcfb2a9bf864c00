"""What the drivers' page says beside its table."""

import numpy as np
import pandas as pd

from fleetbrake.reports import driver_reads


def test_a_chart_that_leaves_drivers_out_says_so() -> None:
    assert driver_reads.charted(60, 25) == "The chart shows the first 25 of 60 drivers; the table shows all."
    assert driver_reads.charted(25, 25) is None


def test_the_distance_that_nobody_could_observe_is_told() -> None:
    """Given a driver without trips (NULL) beside two others, expect the sum of the two."""
    drivers = pd.DataFrame({"distance_km": [1000.0, 4000.0, np.nan], "observed_km": [1000.0, 2500.0, np.nan]})
    assert str(driver_reads.unobserved(drivers)).startswith(
        "On 1,500 of 5,000 km no hard stop would have been recorded"
    )
    assert driver_reads.unobserved(drivers.head(1)) is None
