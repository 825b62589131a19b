"""What is doubtful about how the passes of a test differ."""

from __future__ import annotations

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.passes.noise import FROM_PASSES, Noise

_FAR = 3.0  # standard errors at which neighbouring trays are said to move together
_ALIKE = 1e-9  # of the peak


def noise_doubts(noise: Noise) -> tuple[Doubt, ...]:
    """What is doubtful about the noise of a test."""
    if noise.source != FROM_PASSES:
        return (_one_pass(noise),)
    found = []
    if abs(noise.residual).max() < _ALIKE:
        found.append(doubt("passes-alike", passes=noise.passes))
    correlation, error = noise.neighbours
    if abs(correlation) > _FAR * error:
        how = "rise and fall together" if correlation > 0 else "take from each other"
        found.append(doubt("neighbours-together", how=how, correlation=correlation, chance=_FAR * error))
    both = noise.agreement
    if both is not None and not both.agree:
        found.append(_disagree(both.ratio, both.low, both.high))
    return tuple(found)


def _one_pass(noise: Noise) -> Doubt:
    check = CHECKS["one-pass"]
    if noise.known:
        return doubt("one-pass", effect=f"{check.effect}; the one shown holds for noise as stated, none of it measured")
    remedy = "for one from stated noise add to the form: {missing}. Better, " + check.remedy
    return doubt("one-pass", remedy=remedy, missing=", ".join(noise.missing))


def _disagree(ratio: float, low: float, high: float) -> Doubt:
    if ratio > 1:
        return doubt("noise-disagrees", ratio=ratio, low=low, high=high)
    return doubt(
        "noise-disagrees",
        ratio=ratio,
        low=low,
        high=high,
        effect="the spread between the passes is used; it is smaller than chance allows",
        remedy="check size guide number and granule density, and that trays were emptied between passes",
    )
