"""What a proof's looks say: passed, or failed with the number responsible."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from statistics import fmean
from typing import Any

BEST_FOCUS = "best focus, or the overshoot that takes up the slack"


@dataclass(frozen=True, slots=True)
class Check:
    """One look at a predicted focus, in steps; ``by_temperature_steps`` of the prediction is alpha's part."""

    filter: str
    position_steps: float
    side: int
    on_final_side: bool
    residual_steps: float
    predicted_u_steps: float
    temperature_c: float | None = None
    by_temperature_steps: float = 0.0

    @property
    def missed_by_u(self) -> float:
        """Return the residual in predicted standard uncertainties."""
        return abs(self.residual_steps) / self.predicted_u_steps


def verdict(checks: Sequence[Check], missed_u: float, drift_steps: float) -> dict[str, Any]:
    """Return passed or failed with the number responsible; nothing looked at proves nothing."""
    if not checks:
        return {"status": "not_run", "reason": "no filter's focus was known well enough to go there"}
    responsible = _responsible(checks, missed_u, drift_steps)
    return {
        "status": "passed" if responsible is None else "failed",
        "responsible": responsible,
        "checks": [
            {
                "filter": check.filter,
                "side": "outward" if check.side > 0 else "inward",
                "residual_steps": check.residual_steps,
                "predicted_u_steps": check.predicted_u_steps,
                "temperature_c": check.temperature_c,
            }
            for check in checks
        ],
    }


def _responsible(checks: Sequence[Check], missed_u: float, drift_steps: float) -> str | None:
    """Return the number that the misses point at, None where all is well."""
    final = [check for check in checks if check.on_final_side]
    other = [check for check in checks if not check.on_final_side]
    missed = list(dict.fromkeys(check.filter for check in final if check.missed_by_u > missed_u))
    beyond = [check for check in other if check.missed_by_u > missed_u and check.filter not in missed]
    seen = {check.filter for check in final}
    if len(missed) > len(seen) / 2 or (not missed and _lean(final, missed_u, drift_steps)):
        return _common(final)
    if missed:
        return f"offset of {', '.join(missed)}"
    return "backlash" if beyond or _lean(other, missed_u, drift_steps) else None


def _common(final: Sequence[Check]) -> str:
    """Return what all filters share: best focus, or what the temperature was taken to do to it."""
    moved = fmean(check.by_temperature_steps for check in final)
    residual = fmean(check.residual_steps for check in final)
    # A coefficient's mistake is as a rule a part of what it predicted.
    return f"the temperature coefficient, or {BEST_FOCUS}" if abs(moved) > abs(residual) else BEST_FOCUS


def _lean(checks: Sequence[Check], missed_u: float, drift_steps: float) -> bool:
    """Tell whether misses too small to tell one by one all lean one way: what they share is wrong."""
    if not checks:
        return False
    mean = fmean(check.residual_steps for check in checks)
    own = [max(check.predicted_u_steps**2 - drift_steps**2, 0.0) for check in checks]
    return abs(mean) > missed_u * hypot(sqrt(fmean(own) / len(checks)), drift_steps)
