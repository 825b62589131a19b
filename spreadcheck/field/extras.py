"""The libraries that only the field map needs, loaded where they are used."""

from __future__ import annotations

import importlib
from typing import Any

from spreadcheck.errors import Fault, MissingExtraError


def extra(name: str, what: str) -> Any:
    """A library of the extra `field`, or a message that says what needs it and how to install it."""
    try:
        return importlib.import_module(name)
    except ImportError:
        library = name.partition(".")[0]
        fault = Fault(what, f"needs the library {library}, which is not installed", "install spreadcheck[field]")
        raise MissingExtraError(fault) from None
