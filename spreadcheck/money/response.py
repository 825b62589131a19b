"""Yield response: what a crop makes of a rate, and what it loses when the rate is uneven.

    quadratic           Y = b0 + b1 x + b2 x^2, b2 below 0
    quadratic-plateau   the same up to its top at x = -b1 / (2 b2), level beyond
    linear-plateau      Y = b0 + b1 x up to the join, level beyond
    mitscherlich        Y = maximum (1 - exp(-c (x + soil_supply)))

x is the nutrient or product that the crop gets: already given + content x rate of this dressing. Above an over-supply
limit (lodging, scorch) the yield falls by so much for each unit over it.

Under the quadratic the loss is -b2 times the variance of the rate: Jensen and Pesek (1962), Soil Science Society of
America Proceedings 26(2), 170-173. For all curves a linear piece of the deposit is split at the joins, and each part
has a closed form: Simpson's rule is exact for the polynomial, and the mean of exp(-k x) from p to q is
exp(-k p) (1 - exp(-k (q - p))) / (k (q - p)).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import CostError, Fault, meant, record, shown
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.evenness import Deposit

# Curve -> its coefficients, each with the powers of yield and rate in its unit.
CURVES: dict[str, dict[str, tuple[int, int]]] = {
    "quadratic": {"b0": (1, 0), "b1": (1, -1), "b2": (1, -2)},
    "quadratic-plateau": {"b0": (1, 0), "b1": (1, -1), "b2": (1, -2)},
    "linear-plateau": {"b0": (1, 0), "b1": (1, -1), "join": (0, 1)},
    "mitscherlich": {"maximum": (1, 0), "c": (0, -1), "soil_supply": (0, 1)},
}
OVER_SUPPLY: dict[str, tuple[int, int]] = {"over_supply_above": (0, 1), "over_supply_loss": (1, -1)}
_OVER = 1e-9  # of the limit: a supply on it is not over it
_LEVEL = 1e-12  # of a supply: a piece that rises less is level


@record
class Branch:
    """A curve between two joins: Y = c0 + c1 x + c2 x^2 + e exp(-k x) from x = low to high."""

    low: float
    high: float
    c0: float = 0.0
    c1: float = 0.0
    c2: float = 0.0
    e: float = 0.0
    k: float = 0.0

    def curved(self, x: FloatArray) -> FloatArray:
        """The polynomial of the formula, wherever x lies."""
        return np.asarray(self.c0 + x * (self.c1 + x * self.c2))

    def part(self, left: FloatArray, right: FloatArray) -> FloatArray:
        """The part of each piece whose supply lies on the branch."""
        low, high = np.minimum(left, right), np.maximum(left, right)
        rise = high - low
        level = rise <= _LEVEL * np.maximum(high, 1.0)
        inside = (low >= self.low) & (low < self.high)
        crossed = np.maximum(np.minimum(high, self.high) - np.maximum(low, self.low), 0.0)
        return np.where(level, inside, crossed / np.where(level, 1.0, rise))

    def mean(self, left: FloatArray, right: FloatArray) -> FloatArray:
        """The mean over the part of each piece that lies on the branch: closed forms."""
        low = np.clip(np.minimum(left, right), self.low, self.high)
        high = np.clip(np.maximum(left, right), self.low, self.high)
        polynomial = (self.curved(low) + 4 * self.curved((low + high) / 2) + self.curved(high)) / 6
        fall = self.k * (high - low)
        steep = fall > 1e-9  # below it the mean is 1 - fall / 2 to rounding
        ratio = np.where(steep, -np.expm1(-fall) / np.where(steep, fall, 1.0), 1.0 - fall / 2)
        return np.asarray(polynomial + self.e * np.exp(-self.k * low) * ratio)


@record
class Response:
    """A yield response, kg/ha of supply to t/ha of yield.

    Supply = `already_kg_ha` + `content` x rate. `over_supply_kg_ha` is the limit that the user gave, if any.
    """

    curve: str
    branches: tuple[Branch, ...]
    content: float = 1.0
    already_kg_ha: float = 0.0
    over_supply_kg_ha: float | None = None

    def supply(self, rate_kg_ha: ArrayLike) -> FloatArray:
        """What the crop gets at a rate of this dressing. [kg/ha]"""
        return self.already_kg_ha + self.content * np.asarray(rate_kg_ha, dtype=float)

    def yield_at(self, rate_kg_ha: ArrayLike) -> FloatArray:
        """Yield at a rate. [t/ha]

        >>> response_curve("quadratic", {"b0": 4, "b1": 0.04, "b2": -0.0001}).yield_at([0, 100, 200])
        array([4., 7., 8.])
        """
        x = self.supply(rate_kg_ha)
        inside = [(x >= b.low) & (x < b.high) for b in self.branches]
        return np.asarray(np.select(inside, [b.mean(x, x) for b in self.branches]))

    def over_supplied_pct(self, deposit: Deposit) -> FloatArray | None:
        """Share of each bout that gets more than the over-supply limit; None if the user gave no limit. [%]

        >>> one = np.array([0.0]); line = Deposit(one, one + 1, one, one + 200, np.array([0]))
        >>> lodging = {"b0": 4, "b1": 0.02, "join": 100, "over_supply_above": 180, "over_supply_loss": 0.02}
        >>> response_curve("linear-plateau", lodging).over_supplied_pct(line)
        array([10.])
        """
        if self.over_supply_kg_ha is None:
            return None
        over = Branch(self.over_supply_kg_ha * (1 + _OVER), math.inf)
        return 100.0 * deposit.averaged(over.part(self.supply(deposit.left), self.supply(deposit.right)))


def response_curve(
    curve: str, coefficients: Mapping[str, float], *, content: float = 1.0, already_kg_ha: float = 0.0, place: str = ""
) -> Response:
    """A response curve with the user's coefficients.

    Parameters
    ----------
    curve : str
        A key of `CURVES`. [-]
    coefficients : mapping of str to float
        The coefficients of that curve, and of over-supply if the user has any. [t/ha, kg/ha]
    content : float
        Share of the product that the response is about, such as 0.46 for nitrogen in urea. [-]
    already_kg_ha : float
        What the crop has had before this dressing, evenly. [kg/ha]
    place : str
        Where the curve was written, for messages. [-]

    Returns
    -------
    Response
        The response. [kg/ha, t/ha]

    Raises
    ------
    CostError
        If the curve or a coefficient is not known, is missing, or can't be; every fault at once.

    Examples
    --------
    >>> urea = response_curve("linear-plateau", {"b0": 4, "b1": 0.02, "join": 100}, content=0.46)
    >>> urea.yield_at([0, 100, 300])
    array([4.  , 4.92, 6.  ])
    """
    faults = _faults(curve, coefficients, place)
    if not 0 < content <= 1:
        faults.append(Fault(place, f"a nutrient content of {100 * content:g} %", "give one above 0 and up to 100 %"))
    if not 0 <= already_kg_ha < math.inf:
        faults.append(Fault(place, f"{already_kg_ha:g} kg/ha already given", "give 0 or more"))
    if faults:
        raise CostError(*faults)
    limit = coefficients.get("over_supply_above")
    return Response(curve, _branches(curve, coefficients), content, already_kg_ha, limit)


def _faults(curve: str, coefficients: Mapping[str, float], place: str) -> list[Fault]:
    """Refuse an unknown curve, unknown and missing coefficients by name; values with which it would be no response."""
    if curve not in CURVES:
        raise CostError(Fault(place, f'"{shown(curve)}" is not a response curve', meant(curve, CURVES, "use one of")))
    wanted = CURVES[curve]
    faults = [
        Fault(place, f'"{shown(name)}" is not a coefficient of {curve}', f"its coefficients are {', '.join(wanted)}")
        for name in coefficients
        if name not in (*wanted, *OVER_SUPPLY)
    ]
    needed = dict.fromkeys(wanted, f"for {curve}")
    if given := [name for name in OVER_SUPPLY if name in coefficients]:
        needed |= dict.fromkeys(OVER_SUPPLY, f"beside {given[0]}")
    faults += [
        Fault(place, f'"{name}" is missing {why}', f"add a line such as {name} = ...")
        for name, why in needed.items()
        if name not in coefficients
    ]
    if faults:
        raise CostError(*faults)
    above = {"join", "maximum", "c", *OVER_SUPPLY} | ({"b1"} if curve.endswith("plateau") else set())
    for name, value in coefficients.items():
        checks = {
            "it must be a finite number": math.isfinite(value),
            "it must be above 0": name not in above or value > 0,
            "it must be below 0, or the curve has no top": name != "b2" or value < 0,
            "it must be 0 or more": name != "soil_supply" or value >= 0,
        }
        if wrong := [words for words, kept in checks.items() if not kept]:
            where = f"{place}, {name}" if place else name
            faults.append(Fault(where, f"{value:g} can't be right for {curve}", wrong[0]))
    return faults


def _branches(curve: str, c: Mapping[str, float]) -> tuple[Branch, ...]:
    """A curve as its branches, from minus to plus infinity; above an over-supply limit every one falls."""
    if curve == "mitscherlich":
        shortfall = -c["maximum"] * math.exp(-c["c"] * c["soil_supply"])
        branches = [Branch(-math.inf, math.inf, c0=c["maximum"], e=shortfall, k=c["c"])]
    else:
        rising = Branch(-math.inf, math.inf, c["b0"], c["b1"], c.get("b2", 0.0))
        branches = [rising]
        if curve != "quadratic":
            join = c["join"] if curve == "linear-plateau" else -c["b1"] / (2 * c["b2"])
            branches = [replace(rising, high=join), Branch(join, math.inf, c0=float(rising.curved(np.array(join))))]
    if "over_supply_above" not in c:
        return tuple(branches)
    limit, loss = c["over_supply_above"], c["over_supply_loss"]
    below = [replace(b, high=min(b.high, limit)) for b in branches if b.low < limit]
    over = [b for b in branches if b.high > limit]
    return (*below, *(replace(b, low=max(b.low, limit), c0=b.c0 + loss * limit, c1=b.c1 - loss) for b in over))


def mean_yield(response: Response, deposit: Deposit) -> FloatArray:
    """Mean yield over whole bouts, integrated exactly over the linear pieces of the deposit.

    Parameters
    ----------
    response : Response
        The response. [kg/ha, t/ha]
    deposit : Deposit
        One bout or many. [m, kg/ha]

    Returns
    -------
    ndarray, shape (bouts,)
        Mean yield of each. [t/ha]

    Examples
    --------
    >>> one = np.array([0.0]); line = Deposit(one, one + 1, one, one + 200, np.array([0]))  # from 0 to 200 kg/ha
    >>> mean_yield(response_curve("linear-plateau", {"b0": 4, "b1": 0.02, "join": 100}), line)  # 5 on one half, 6 on
    array([5.5])
    """
    left, right = response.supply(deposit.left), response.supply(deposit.right)
    means = [branch.part(left, right) * branch.mean(left, right) for branch in response.branches]
    return deposit.averaged(np.sum(means, axis=0))


def yield_loss(response: Response, deposit: Deposit) -> FloatArray:
    """What unevenness costs: the yield at the mean rate less the mean yield over the deposit.

    Parameters
    ----------
    response : Response
        The response. [kg/ha, t/ha]
    deposit : Deposit
        One bout or many. [m, kg/ha]

    Returns
    -------
    ndarray, shape (bouts,)
        Yield lost in each. [t/ha]

    Examples
    --------
    >>> one = np.array([0.0]); line = Deposit(one, one + 1, one, one + 200, np.array([0]))  # variance 200^2 / 12
    >>> yield_loss(response_curve("quadratic", {"b0": 4, "b1": 0.04, "b2": -0.0001}), line).round(6)
    array([0.333333])
    """
    return response.yield_at(deposit.mean_kg_ha) - mean_yield(response, deposit)
