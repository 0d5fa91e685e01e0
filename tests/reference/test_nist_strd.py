"""The least-squares calls of the fits, on data of NIST StRD (Statistical Reference Datasets, public domain).

Data and certified values are quoted from memory (Norris in part from a public test file); both
sets were solved again to all printed digits before they were put here.
"""

from typing import Any

import numpy as np
import pytest
from scipy.optimize import least_squares

from ctrecon.core import circle_points
from ctrecon.core.frames import Floats
from ctrecon.fitting.descend import Ties, descend

MISRA_X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
MISRA_Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
NORRIS = np.array([
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1), (998.0, 995.8),
    (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2),
    (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
    (0.2, 0.5),
])  # fmt: skip


def general(fun: Any, jac: Any, start: Any) -> Floats:
    """Solve with SciPy, by the options the circle through points gives to it, its loss left out."""
    seen: list[dict[str, Any]] = []

    def watched(fun: Any, start: Any, **options: Any) -> Any:
        seen.append(options)
        return least_squares(fun, start, **options)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(circle_points, "least_squares", watched)
        circle_points.fit_circle_points(np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.1), (0.0, -1.0)]))
    # the circle's scale is the size of its own points
    options = {key: value for key, value in seen[0].items() if key not in ("jac", "loss")} | {"x_scale": "jac"}
    return np.asarray(least_squares(fun, start, jac=jac, **options).x)


def own(fun: Any, jac: Any, start: Any) -> Floats:
    """Solve by the steps of the grey-value fit, with a scale so large that no residual loses its weight."""
    none = Ties(np.zeros(0, dtype=int), np.zeros(0), np.zeros(0))
    found, _ = descend(lambda b: (fun(b), jac(b)), np.array(start), 1e5, none, tolerance=1e-7, most=60, settled=0.0)
    return found


BOTH = pytest.mark.parametrize("solver", [own, general], ids=["grey values", "circle through points"])


def deviations(jacobian: Floats, residuals: Floats) -> Floats:
    """Standard deviations of the parameters, s²(JᵀJ)⁻¹."""
    s2 = residuals @ residuals / (len(residuals) - jacobian.shape[1])
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)) * s2))


@BOTH
@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_misra1a(solver: Any, start: tuple[float, float]) -> None:
    """NIST StRD Misra1a (nonlinear): y = b1 (1 - exp(-b2 x)) from both starts, values and deviations to 1e-6."""

    def residuals(b: Floats) -> Floats:
        return np.asarray(b[0] * (1 - np.exp(-b[1] * MISRA_X)) - MISRA_Y)

    def jacobian(b: Floats) -> Floats:
        decay = np.exp(-b[1] * MISRA_X)
        return np.column_stack([1 - decay, b[0] * MISRA_X * decay])

    x = solver(residuals, jacobian, start)
    left = residuals(x)
    assert x == pytest.approx([2.3894212918e02, 5.5015643181e-04], rel=1e-6)
    assert left @ left == pytest.approx(1.2455138894e-01, rel=1e-9)
    assert np.sqrt(left @ left / 12) == pytest.approx(1.0187876330e-01, rel=1e-9)
    assert deviations(jacobian(x), left) == pytest.approx([2.7070075241e00, 7.2668688436e-06], rel=1e-5)


@BOTH
def test_norris(solver: Any) -> None:
    """NIST StRD Norris (linear): y = B0 + B1 x, values, deviations and residual deviation to 1e-8."""
    y, x = NORRIS.T
    design = np.column_stack([np.ones_like(x), x])
    found = solver(lambda b: design @ b - y, lambda b: design, [0.0, 0.0])
    left = design @ found - y
    assert len(NORRIS) == 36
    assert found == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-8)
    assert deviations(design, left) == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-8)
    assert np.sqrt(left @ left / 34) == pytest.approx(0.884796396144373, rel=1e-10)
