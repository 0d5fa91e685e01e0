"""How likely each way of building a part is before the scan is looked at."""

from collections.abc import Mapping

__all__ = ["PRIORS"]

PRIORS: Mapping[str, float] = {"one_piece": 0.70, "pressed_in": 0.18, "sandwich": 0.08, "riveted": 0.04}
"""How likely each way of building a part is before the scan is looked at (common practice, no source)."""
