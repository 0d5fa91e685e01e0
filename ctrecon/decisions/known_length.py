"""A length known from the real part: all of them together give true scale."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from ctrecon.calibration import Known, find_scale
from ctrecon.calibration.known import UNSAID_U_MM
from ctrecon.core.measured import Measured
from ctrecon.decisions.base import STRICT, Decision, meant
from ctrecon.decisions.match import FeatureName
from ctrecon.decisions.points import HAND_U_VOXELS, check_on_stack
from ctrecon.record.part import Feature, Part
from ctrecon.record.store import need_sound

__all__ = ["KnownLength", "LengthBetween", "known_size", "with_true_scale"]


@dataclass(frozen=True, kw_only=True)
class LengthBetween:
    """Two points (column, row; voxels) of one slice, between which a length is known."""

    __pydantic_config__: ClassVar[dict[str, Any]] = STRICT
    slice: int
    one_px: tuple[float, float]
    other_px: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class KnownLength(Decision):
    """State a length known from the real part.

    Parameters
    ----------
    feature, other : FeatureName or None
        The feature whose size it is; with another one, the distance of the two axes.
    between : LengthBetween or None
        The two points it lies between, where no feature carries it.
    size : str or None
        Which size of the feature is known (`diameter`, `flats`, `length` ...); None is its main size.
    value_mm, u_mm : float, float or None
        The length and ONE standard uncertainty (k = 1), mm; without the latter the usual one is taken.
    """

    do: ClassVar[str] = "known_length"
    feature: FeatureName | None = None
    other: FeatureName | None = None
    between: LengthBetween | None = None
    size: str | None = None
    value_mm: float
    u_mm: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "value_mm", float(self.value_mm))
        if self.u_mm is not None:
            object.__setattr__(self, "u_mm", float(self.u_mm))

    def fault(self) -> str:
        """Return why it can't be: nothing it is a length of, or a length or u that is none."""
        if (self.feature is None) == (self.between is None):
            return "a feature or two points are needed, and not both; choose one"
        if self.value_mm <= 0:
            return f"the length must be above 0 mm, not {self.value_mm}; type it, such as 12.00"
        if self.u_mm is not None and self.u_mm <= 0:
            return f"the uncertainty must be above 0 mm, not {self.u_mm:g}; leave it out if it isn't known"
        return ""

    def apply(self, part: Part) -> Part:
        """Put the record at true scale by this length alone; `apply_decisions` takes all of them together."""
        known, helpers = known_size(part, self, 1)
        return with_true_scale(part, (known,), helpers)

    def says(self) -> str:
        """Return the decision in words."""
        of = "a feature" if self.feature is None else self.feature.says()
        what = "length between two points" if self.between else f"{self.size or 'size'} of {of}"
        what = f"distance of {of} and its fellow" if self.other else what
        return f"{what} is {self.value_mm:g} mm"


def with_true_scale(part: Part, knowns: Sequence[Known | str], helpers: Sequence[Feature]) -> Part:
    """Calibrate by known sizes, some of which lie between stand-ins that the record does not keep.

    Raises
    ------
    InputError
        If they cannot be used together.
    """
    names = {one.id for one in helpers}
    found = find_scale(replace(part, features=(*part.features, *helpers)), knowns).part
    done = replace(found, features=tuple(one for one in found.features if one.id not in names))
    need_sound(done)
    return done


def known_size(part: Part, decision: KnownLength, number: int) -> tuple[Known, tuple[Feature, ...]]:
    """Return a known size with the ids of this record, and two stand-ins where it lies between points."""
    u = decision.u_mm
    more = {"value_mm": decision.value_mm, "u_mm": u or UNSAID_U_MM, "u_stated": u is not None}
    if decision.between is not None:
        one, other = _at_points(part, decision.between, number)
        return Known(feature=one.id, other=other.id, **more), (one, other)  # type: ignore[arg-type]
    assert decision.feature is not None
    feature = meant(part, decision.feature)
    other_id = None if decision.other is None else meant(part, decision.other).id
    known = Known(feature=feature.id, other=other_id, size=decision.size, **more)  # type: ignore[arg-type]
    return known, ()


def _at_points(part: Part, between: LengthBetween, number: int) -> tuple[Feature, Feature]:
    """Make two bores of no size at the points: between axes the calibration asks for nothing else."""
    check_on_stack(part, between.slice, (between.one_px, between.other_px))
    dz, dy, dx = part.stack.voxel_mm
    z = Measured(between.slice * dz, dz / 2)

    def at(point: tuple[float, float], ident: str) -> Feature:
        return Feature(
            id=ident, kind="round_hole", x_mm=Measured(point[0] * dx, HAND_U_VOXELS * dx),
            y_mm=Measured(point[1] * dy, HAND_U_VOXELS * dy), depth_from_mm=z, depth_to_mm=z,
            unknown={"diameter_mm": "a point has none"},
        )  # fmt: skip

    return at(between.one_px, f"POINT{2 * number - 1}"), at(between.other_px, f"POINT{2 * number}")
