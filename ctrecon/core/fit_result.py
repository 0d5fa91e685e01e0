"""What a fit returns: a shape with its covariance, or a falsy failure with its reason."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from ctrecon.core.frames import Floats

__all__ = ["FitFailed", "ShapeFit"]


@dataclass(frozen=True, eq=False)
class ShapeFit:
    """Fitted parameters in the order of `names`, their covariance, and how well they fit.

    `rms` is the weighted rms residual in the unit of the data; `share` the summed
    weight over the number of data (1 where nothing was left out). `budget` splits the
    variance of each parameter by its origin; its rows sum to the covariance's diagonal.
    `shading` is how fast the grey changes away from the edge, in contrasts per px.
    """

    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    rms: float
    share: float
    n: int
    budget: Mapping[str, Floats] = field(default_factory=dict)
    shading: float = 0.0

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
