"""The analysis of a blend's components, as a person types it into a small TOML file.

[urea]
N = 46

[potash]
K2O = 60

[limits]        # optional: CV limits of nutrients or components that have one of their own, in %
K2O = 25
"""

from __future__ import annotations

import os
from typing import Any

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.judge.blend import NutrientAnalysis
from spreadcheck.sheet.typedfiles import number_at, read_toml

LIMITS_TABLE = "limits"


def read_analysis(path: str | os.PathLike[str]) -> NutrientAnalysis:
    """Read the analysis of a blend's components.

    Parameters
    ----------
    path : str or path-like
        The TOML file. [-]

    Returns
    -------
    NutrientAnalysis
        Contents and limits. [%]

    Raises
    ------
    QuantityError
        If the file can't be read, or a content is no number from 0 to 100.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "analysis.toml")
    ...     _ = file.write_text("[urea]\\nN = 46\\n[limits]\\nN = 15\\n")
    ...     read_analysis(file)
    NutrientAnalysis(content_pct={'urea': {'N': 46.0}}, limit_pct={'N': 15.0})
    """
    name = os.fspath(path)
    tables = read_toml(path)
    loose = [key for key, value in tables.items() if not isinstance(value, dict)]
    if loose:
        remedy = f"put it under the component it belongs to, such as [urea] and then {loose[0]} = 46"
        raise QuantityError(Fault(name, f'"{loose[0]}" stands outside any component', remedy))
    limits = tables.pop(LIMITS_TABLE, {})
    if not tables:
        raise QuantityError(Fault(name, "there is no component in it", "write such as [urea] and then N = 46"))
    return NutrientAnalysis(
        {component: _contents(content, f"{name} [{component}]") for component, content in tables.items()},
        {part: number_at(limits, part, place=f"{name} [{LIMITS_TABLE}]", low=0.1, high=1000) for part in limits},
    )


def _contents(content: dict[str, Any], place: str) -> dict[str, float]:
    contents = {nutrient: number_at(content, nutrient, place=place, high=100) for nutrient in content}
    if sum(contents.values()) > 100:
        problem = f"the contents add up to {sum(contents.values()):g} %"
        raise QuantityError(Fault(place, problem, "give % of the component's mass, 100 at most together"))
    return contents
