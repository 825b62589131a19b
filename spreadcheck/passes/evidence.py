"""What is said of a difference: its chance of error, its range, and how several statements stand together.

Holm (1979), Scand. J. Statist. 6: 65-70.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, SpreadcheckError, record
from spreadcheck.sheet.traytest import FloatArray

LEVEL_PCT = 95.0


@record
class Evidence:
    """What can be said of one difference.

    `p` is the chance of a difference as large if nothing had changed, None where no statement is possible (`why_not`
    says why). `low` and `high` are the ends of the range of the difference, where there is one.
    """

    p: float | None
    level_pct: float
    why_not: str = ""
    low: float | None = None
    high: float | None = None

    @property
    def beyond(self) -> bool | None:
        """Whether the difference is more than chance explains; None where nothing can be said."""
        return None if self.p is None else self.p <= alpha(self.level_pct)


def alpha(level_pct: float) -> float:
    """The chance of error that goes with a level."""
    if not 50 <= level_pct < 100:
        raise SpreadcheckError(
            Fault("level", f"{level_pct:g} % can't be used", "give 50 or more and less than 100, such as 95")
        )
    return round((100 - level_pct) / 100, 12)


def holm(p: ArrayLike, share: ArrayLike | None = None) -> FloatArray:
    """Holm-adjusted p-values of several statements; `share` is how they share the chance of error, evenly if None."""
    alone = np.nan_to_num(np.asarray(p, dtype=float), nan=1.0)
    part = np.ones(len(alone)) if share is None else np.asarray(share, dtype=float)
    order = np.argsort(alone / part, kind="stable")
    left = np.cumsum(part[order][::-1])[::-1]  # the shares of the statements that are still open
    together = np.empty(len(alone))
    together[order] = np.minimum(np.maximum.accumulate(alone[order] * left / part[order]), 1.0)
    return together


@record(eq=False)
class TrayEvidence:
    """What the passes say of the differences at many trays, under one chance of error for all of them together.

    `p` has an entry a tray; the whole profile's evidence is in `overall`.
    """

    rule: str
    p: FloatArray
    overall: Evidence

    @property
    def beyond(self) -> NDArray[np.bool_]:
        """Which trays differ by more than chance explains."""
        return np.asarray(self.p <= alpha(self.overall.level_pct))
