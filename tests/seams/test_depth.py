"""Where a seam begins and ends along depth."""

import numpy as np
from scipy.special import ndtr

from ctrecon.seams.depth import _stretches


def test_all_stretches_are_weighed_as_if_each_were_fitted_alone() -> None:
    """Sums of products give every stretch the misfit that its own curve, written out, has; the true one fits best."""
    rng = np.random.default_rng(3)
    places, sd = np.arange(5.0, 30.0), rng.uniform(0.1, 0.3, 25)
    share = ndtr((places - 11.2) / 0.9) - ndtr((places - 22.6) / 0.9) + sd * rng.standard_normal(25)
    lows = np.arange(4.5, 29.5, 0.2)
    found = _stretches(places, share, sd, lows, 17.0)
    assert found is not None
    first, last, misfit = found
    for i in rng.integers(0, len(first), 200):
        begun = np.ones(25) if first[i] == lows[0] else ndtr((places - first[i]) / 0.9)
        over = np.zeros(25) if last[i] == 29.5 else ndtr((places - last[i]) / 0.9)
        curve = begun - over
        full = np.clip((curve * share / sd**2).sum() / (curve**2 / sd**2).sum(), 1 / 1.3, 1.3)
        assert np.isclose(misfit[i], ((share - full * curve) ** 2 / sd**2).sum(), rtol=1e-9)
    best = int(np.argmin(misfit))
    assert abs(first[best] - 11.2) < 1.0 and abs(last[best] - 22.6) < 1.0
    assert first.max() <= 17.0 <= last.min()
