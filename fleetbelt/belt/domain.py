"""The type every function here takes and returns, and the check on what goes in."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleetbelt.errors import InputError

FloatArray = NDArray[np.float64]


def positive(name: str, value: ArrayLike) -> FloatArray:
    """Return the value as floats; a missing number (NaN) passes through.

    Parameters
    ----------
    name : str
        Name of the argument, with its unit.
    value : array_like of float
        What the caller gave.

    Returns
    -------
    ndarray of float
        The same numbers.

    Raises
    ------
    InputError
        A number is zero or negative.
    """
    return _above(name, value, is_zero_allowed=False)


def not_negative(name: str, value: ArrayLike) -> FloatArray:
    """Return the value as floats; zero and a missing number (NaN) pass through.

    Parameters
    ----------
    name : str
        Name of the argument, with its unit.
    value : array_like of float
        What the caller gave.

    Returns
    -------
    ndarray of float
        The same numbers.

    Raises
    ------
    InputError
        A number is negative.
    """
    return _above(name, value, is_zero_allowed=True)


def _above(name: str, value: ArrayLike, *, is_zero_allowed: bool) -> FloatArray:
    numbers = np.asarray(value, dtype=np.float64)
    is_wrong = numbers < 0 if is_zero_allowed else numbers <= 0
    if np.any(is_wrong):
        bound = "zero or more" if is_zero_allowed else "more than zero"
        raise InputError(
            what=f"{name} is {numbers[is_wrong].flat[0]:g}; it must be {bound}.",
            where=f"the physics of the drive, {name}",
            fix=f"give {name} as {bound}, in the unit its name ends in.",
        )
    return numbers
