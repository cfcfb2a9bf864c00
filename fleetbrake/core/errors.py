"""The errors of the project: each carries one clear sentence for the person at the terminal."""


class FleetbrakeError(Exception):
    """Base of all errors that the command shows as one sentence instead of a traceback."""


class InputError(FleetbrakeError):
    """A recording, mapping or register that cannot be used; the text says which, where and why."""


class StoreError(FleetbrakeError):
    """The store folder cannot be read, written or published."""


class StoreBusyError(StoreError):
    """Another run holds the store's lock; the text names the holder."""


class RuleError(FleetbrakeError):
    """What somebody asked for is against a rule of the plan or of findings; nothing was written."""


class ClusterError(FleetbrakeError):
    """The machines that were to read the recordings cannot be used, or went away."""
