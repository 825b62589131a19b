"""How far the tray test's own noise, and what one test can't see, carry into the field CV.

The deposit is linear in the profile, so noise e of the trays adds its own map. Draws of e are laid on one coarse raster
beside the profile itself; means, variances and covariances over the field then say which true field CVs go with the
reading, each draw and its opposite once (the same question that the trays' own interval asks).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spreadcheck.field.deposit import Landing, Leg
from spreadcheck.field.fieldmap import Ground, map_field
from spreadcheck.passes.noise import Stated, noise_of, stated_noise
from spreadcheck.passes.passes import passes_of
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import Profile

DRAWS = 20
LEVEL_PCT = 90.0
COARSE_CELLS = 20_000


@dataclass(frozen=True)
class FieldSure:
    """The field CV that the tray test leaves possible, from so many draws on cells of so many metres."""

    low_pct: float
    high_pct: float
    level_pct: float
    draws: int
    cell_m: float


def coarse_cell_m(cell_m: float, area_m2: float) -> float:
    """The cell for maps that are only compared with each other: about twenty thousand to the field."""
    return float(max(cell_m, np.ceil(2 * (area_m2 / COARSE_CELLS) ** 0.5) / 2))


def field_sureness(
    test: TrayTest,
    profile: Profile,
    legs: Sequence[Leg],
    ground: Ground,
    landing: Landing,
    *,
    bout_width_m: float,
    cell_m: float,
    field_cv_pct: float,
    base_m: float | None = None,
    stated: Stated = Stated(),  # noqa: B008 - frozen
    seed: int = 1,
) -> FieldSure | None:
    """The interval of the field CV from the noise of the test and what is stated; None where it can't be known."""
    noise = noise_of(passes_of(test, relative=profile.relative))
    if not noise.known:
        return None
    weighed = ~np.isin(profile.offset_m, profile.filled_offset_m)
    level = float(profile.rate_kg_ha[weighed].sum() / noise.rate_kg_ha.sum())  # where the profile was scaled since
    rng = np.random.default_rng(seed)
    unseen = stated_noise(stated, noise.offset_m, noise.rate_kg_ha, DRAWS, rng)
    drawn = level * (noise.drawn(DRAWS, rng) + sum(unseen)).T.astype(float)
    moved = []
    for each in drawn:
        rates = profile.rate_kg_ha.copy()
        rates[weighed] += each
        if not weighed.all():  # filled trays follow their neighbours
            rates = np.interp(profile.offset_m, profile.offset_m[weighed], rates[weighed])
        moved.append(replace(profile, rate_kg_ha=rates))
    cell = coarse_cell_m(cell_m, ground.polygon.area)
    maps = map_field(
        legs, [profile, *moved], ground, landing, bout_width_m=bout_width_m,
        target_kg_ha=[1.0] * (DRAWS + 1), cell_m=cell, base_m=base_m,
    )  # fmt: skip
    base = maps[0].field_kg_ha
    mean, size = base.mean(), base.std()
    if not mean > 0 or not size > 0:
        return None
    errors = np.array([found.field_kg_ha - base for found in maps[1:]])
    shift, own = errors.mean(axis=1), errors.var(axis=1)
    along = ((errors - shift[:, None]) * (base - mean)).mean(axis=1) / size
    both = np.concatenate((along, -along))
    read = (size * (1 + np.concatenate((shift, -shift)) / mean)) ** 2
    half = np.sqrt(np.maximum(both**2 + read - np.tile(own, 2), 0.0))
    plausible = 100 * (half - np.clip(both, -half, half)) / mean
    plausible *= field_cv_pct / (100 * size / mean)  # from coarse cells to those that are reported
    low, high = np.percentile(plausible, [(100 - LEVEL_PCT) / 2, (100 + LEVEL_PCT) / 2])
    return FieldSure(float(low), float(high), LEVEL_PCT, DRAWS, cell)
