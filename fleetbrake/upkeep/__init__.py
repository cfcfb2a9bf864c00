"""What keeps a store within its rules: forgetting a driver, dropping what is old, holding what must stay."""

from fleetbrake.store.ageing.retention import RetentionPolicy, policy, set_policy
from fleetbrake.store.holding.held_files import copy_held
from fleetbrake.upkeep.forget import Forgotten, erase_forgotten, forget_driver
from fleetbrake.upkeep.holds import hold, list_holds, release_hold
from fleetbrake.upkeep.retention import Retained, retain

__all__ = [
    "Forgotten",
    "Retained",
    "RetentionPolicy",
    "copy_held",
    "erase_forgotten",
    "forget_driver",
    "hold",
    "list_holds",
    "policy",
    "release_hold",
    "retain",
    "set_policy",
]
