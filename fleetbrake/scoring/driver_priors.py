"""Numbers from outside that driver style rests on; part of :class:`scoring.priors.Priors`.

What is expected of a driver
----------------------------
Incidents are hard stops that the driver asked for; those within ``incident_s`` of each other are one. They are counted
in *cells*: a driver in a vehicle, with a flagged finding of it or before, its category, a depot-day condition, an area
(the vehicle's depot) and a kind of traffic, each with its kilometres. The exposure is the distance, not the number of
brake applications: who looks ahead brakes less often, and dividing by applications would punish that.
Applications a km tell the kind of traffic of a trip instead (few, usual, many; a factor of ``traffic_factor``, far
more than drivers differ), where most trips give them.

A mixed Poisson regression (``drivers_regression``) parts the cells' counts into effects of driver, vehicle, fault,
category, condition, area and traffic. What is left without the driver's own effect is *expected* of an average driver.
A fault of a vehicle has an effect of its own from the day on which a flagged vehicle's finding began.

Observed over expected is then drawn towards the drivers' mean: ratio ``(a + O / f) / (a / m + E / f)``, gamma-Poisson,
with ``f`` the dispersion (variance over mean of the counts, 1 or more), ``a = 1 / (exp(s^2) - 1)`` the gamma shape
that has the variance of the regression's log-normal spread ``s`` between drivers, and ``m`` the mean of the drivers'
ratios by maximum likelihood. The 90 % interval is that of a gamma distribution with this mean and the variance of the
logarithm ``1 / (a + O / f) + (own weight * standard error of the log environment)^2``. Where hard drivers keep to one
road and gentle ones to another, counts tell little of which it is: that doubt is part of the standard error. The
adjusted rate is the ratio times the fleet's hard stops a 1000 km: hard stops on the fleet's average vehicle and road.

A kilometre counts only if a hard stop on it would have been recorded: vehicles without recordings in the weeks before
and after, and events that do not tell, are no exposure.
"""

from dataclasses import dataclass

from fleetbrake.scoring.observation_priors import prior


@dataclass(frozen=True)
class DriverPriors:
    """Exposure, regression, shrinkage, and what is worth talking about; status words as in ``core.criteria``."""

    # --- exposure and surroundings
    condition_share: float = prior(0.2, "1", "own choice: share of a depot's events that makes the day wet or snowy")
    condition_least: float = prior(2, "1", "own choice: one event makes no snowy day")
    trip_most_km: float = prior(
        5000, "km", "own choice: days of driving without a stop; longer is a slip of the register and no exposure"
    )
    recorded_days: float = prior(
        30,
        "d",
        "own choice: where a trigger recorded nothing, a vehicle is taken as watched for a month around an event",
    )
    handover_s: float = prior(300.0, "s", "own choice: trips of one vehicle overlap so long at a change of drivers")
    incident_s: float = prior(60.0, "s", "edge: hard stops within 60 s are one incident")
    known_share: float = prior(
        0.8, "1", "own choice: share of the km with brake applications from which they tell the kind of traffic"
    )
    traffic_factor: float = prior(
        2.0, "1", "own choice: traffic is few or many from this factor off the fleet's applications a km"
    )

    # --- regression: spreads are standard deviations of the logarithm of a rate
    driver_spread: float = prior(
        0.5, "1", "own choice: two in three drivers within a factor of 1.6; start and stated part"
    )
    vehicle_spread: float = prior(0.3, "1", "own choice: vehicles of a category differ less than drivers; as above")
    fault_spread: float = prior(
        0.7, "1", "own choice: in a vehicle with a flagged finding the doubt is the driver's benefit; as above"
    )
    area_spread: float = prior(1.0, "1", "own choice: hills and towns double a rate and more; as above")
    category_spread: float = prior(1.5, "1", "own choice: few levels, factors of 3 and more are usual: nearly free")
    condition_spread: float = prior(1.5, "1", "own choice: as categories")
    traffic_spread: float = prior(1.5, "1", "own choice: as categories")
    spread_levels: float = prior(
        8, "1", "own choice: the stated spread counts as so many drivers, vehicles, faults or areas"
    )
    spread_rounds: float = prior(
        8, "1", "own choice: on fleets of 300 drivers four to six change it by less than below"
    )
    spread_change: float = prior(0.02, "1", "own choice: a ridge that is 4 % off changes no rate that is shown")
    confounding_factor: float = prior(
        3.0,
        "1",
        "own choice: with drivers' effects drawn in this much less, the roads rest on drivers that change roads",
    )

    dispersion_least: float = prior(
        50, "1", "own choice: variance over mean of fewer cells is chance; then counts are taken as Poisson"
    )

    # --- shrinkage and score
    driver_least_km: float = prior(
        500, "km", "own choice: a few working days; a driver with less distance and fewer expected stops has no score"
    )
    driver_least_expected: float = prior(
        0.5, "1", "own choice: with fewer expected hard stops one by chance doubles the rate; either amount is enough"
    )
    shape_default: float = prior(2.0, "1", "own choice: gamma shape between drivers where too few to estimate it")
    shape_least: float = prior(0.5, "1", "own choice: keeps the shape in a usable range")
    shape_greatest: float = prior(50.0, "1", "own choice: as above; 50 is nearly no difference between drivers")
    shape_drivers: float = prior(5, "1", "own choice: fewer drivers give no spread and no mean worth using")
    driver_level: float = prior(0.90, "1", "edge of driver_style: 90 % interval")
    style_half: float = prior(1.0, "1", "own choice: style_score = 100 * 2^(-ratio / this): an average driver has 50")

    # --- manner and coaching
    manner_least: float = prior(10, "1", "own choice: a median or share of fewer applications is chance")
    better_share: float = prior(0.8, "1", "own choice: told as good from a fifth below the usual figure")
