"""Every error fleetbelt raises on purpose, by who can fix it.

FleetbeltError
├── InputError    the owner of the file or of the call (exit code 2)
├── PlaceError    the keeper of the machine: locked, full, unreadable (exit code 3)
├── StoreError    the developer: a SQL model or the database is broken (exit code 1)
└── FitError      the analyst: the data do not support the fit (exit code 1)
"""


class FleetbeltError(Exception):
    """An error a user can act on: what broke, where, and how to fix it."""

    exit_code = 1

    def __init__(self, what: str, where: str, fix: str) -> None:
        super().__init__(what, where, fix)
        self.what, self.where, self.fix = what, where, fix

    def __str__(self) -> str:
        return f"{self.what}\n  where: {self.where}\n  fix:   {self.fix}"


class InputError(FleetbeltError):
    """The files or the call are wrong; nothing was changed."""

    exit_code = 2


class PlaceError(FleetbeltError):
    """The place is wrong: locked, full, unreadable; nothing was changed."""

    exit_code = 3


class StoreError(FleetbeltError):
    """A SQL model or the database is not what the code expects."""


class FitError(FleetbeltError):
    """The data do not support the fit that was asked for."""
