"""Small TOML files that a person types: read whole, every fault named by file, table and key."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from spreadcheck.errors import Fault, QuantityError

MAX_BYTES = 65_536
LARGEST = 1e300  # a larger number is a slip, and a whole one may not fit a float


def read_toml(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a TOML file."""
    import tomllib  # most commands read none

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
    """One number of a table."""
    value = table.get(key)
    bounds = f"write a number from {low:g} to {high:g}" if high < float("inf") else f"write a number of {low:g} or more"
    if value is None:
        raise QuantityError(Fault(place, f'"{key}" is missing', bounds))
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= min(high, LARGEST):
        raise QuantityError(Fault(place, f'"{key}" is {value}', bounds))
    return float(value)
