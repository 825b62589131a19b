"""Small TOML files that a person types: read whole, every fault named by file, table and key.

1. `read_toml`      a file -> its tables
2. `number_at`      one number of a table, within bounds
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from spreadcheck.errors import Fault, QuantityError

MAX_BYTES = 65_536
LARGEST = 1e300  # a larger number is a slip, and a whole one may not fit a float


def read_toml(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : str or path-like
        The file. [-]

    Returns
    -------
    dict
        Its tables. [-]

    Raises
    ------
    QuantityError
        If it can't be read or is no TOML; the message has the line.

    Examples
    --------
    >>> read_toml("no such file.toml")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: no such file.toml: can't be read (No such file or directory); check the name
    """
    name = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise QuantityError(Fault(name, f"can't be read ({error.strerror or error})", "check the name")) from error
    if len(content) > MAX_BYTES:
        raise QuantityError(Fault(name, f"is over {MAX_BYTES // 1024} KiB", "give a small TOML file"))
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise QuantityError(Fault(name, "is not text", "save it as text, in UTF-8")) from error
    except (ValueError, RecursionError) as error:  # no TOML, a number of thousands of digits
        raise QuantityError(Fault(name, f"is not a TOML file ({error})", "write such as: N = 46")) from error


def number_at(table: Mapping[str, Any], key: str, *, place: str, low: float = 0.0, high: float = float("inf")) -> float:
    """One number of a table.

    Parameters
    ----------
    table : mapping
        The table. [-]
    key : str
        The key. [-]
    place : str
        File and table, for the message. [-]
    low, high : float
        Bounds, both allowed. [unit of the key]

    Returns
    -------
    float
        The number. [unit of the key]

    Raises
    ------
    QuantityError
        If the key is missing, is no number, or is out of bounds.

    Examples
    --------
    >>> number_at({"N": 46}, "N", place="analysis.toml [urea]", high=100)
    46.0
    >>> number_at({"N": 460}, "N", place="analysis.toml [urea]", high=100)
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: analysis.toml [urea]: "N" is 460; write a number from 0 to 100
    """
    value = table.get(key)
    bounds = f"write a number from {low:g} to {high:g}" if high < float("inf") else f"write a number of {low:g} or more"
    if value is None:
        raise QuantityError(Fault(place, f'"{key}" is missing', bounds))
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= min(high, LARGEST):
        raise QuantityError(Fault(place, f'"{key}" is {value}', bounds))
    return float(value)
