"""What a fit returns: a shape with its covariance, or a falsy failure with its reason."""

from dataclasses import dataclass
from typing import Literal

from ctrecon.core.frames import Floats

__all__ = ["FitFailed", "ShapeFit"]


@dataclass(frozen=True, eq=False)
class ShapeFit:
    """Fitted parameters in the order of `names`, their covariance, and how well they fit.

    `rms` is the weighted rms residual in the unit of the data; `share` the summed
    weight over the number of data (1 where nothing was left out).
    """

    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    rms: float
    share: float
    n: int

    def value(self, name: str) -> float:
        """Return one parameter."""
        return float(self.values[self.names.index(name)])

    def u(self, name: str) -> float:
        """Return the standard uncertainty (k = 1) of one parameter."""
        i = self.names.index(name)
        return float(max(self.covariance[i, i], 0.0) ** 0.5)


@dataclass(frozen=True)
class FitFailed:
    """Data that cannot support an answer; false in a condition."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False
