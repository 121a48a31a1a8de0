"""What a ride takes out of the rider, for scale."""

from __future__ import annotations

from typing import Any

import numpy as np

J_PER_KCAL = 4184.0
GROSS_EFFICIENCY = 0.20  # Moseley and Jeukendrup 2001 measured 19.8 %; 0.18 to 0.24 among riders


def metabolic_kcal(effort_j: Any, *, gross_efficiency: float = GROSS_EFFICIENCY) -> Any:
    """Food energy [kcal] that the body turns over for that crank work: E / efficiency."""
    return np.asarray(effort_j, float) / gross_efficiency / J_PER_KCAL
