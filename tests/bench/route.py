"""The project's own public route, and how its results are matched with the truth."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from render import Floats, Pose, grey16
from row import Sample, Trial

from ctrecon import Feature, Measured, Part, SliceStack, measure_stack, measuring
from ctrecon.record.part import Axis

MM = 0.05
"""mm of one px in every trial."""


@dataclass(frozen=True)
class True_:
    """A true feature in the part's own frame, px; `sizes` are diameters or flats."""

    kind: str
    x: float
    y: float
    low: float
    high: float
    sizes: tuple[float, ...]


def measure(volume: Floats, voxel: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> Part:
    """Measure a rendered volume (air 0, metal 1) as a user's stack of uint16 slices."""
    dz, dy, dx = (v * MM for v in voxel)
    return measure_stack(SliceStack.from_array(grey16(volume), voxel_mm=(dz, dy, dx), source="bench")).part


def leave_out_extras() -> None:
    """Measure without form, relations, seams and pictures: the same figures of the rows here in a third of the time."""

    def no_seams(*args: object, **options: object) -> list[object]:
        return []

    def no_pictures(*args: object, **options: object) -> tuple[object, ...]:
        return ()

    def as_it_is(part: Part, *args: object, **options: object) -> Part:
        return part

    for name, instead in (
        ("with_form_and_relations", as_it_is),
        ("find_seams", no_seams),
        ("make_pictures", no_pictures),
    ):
        if hasattr(measuring, name):
            setattr(measuring, name, instead)


def sizes_of(feature: Feature) -> tuple[Measured, ...]:
    """Diameter, or both pairs of flats."""
    if feature.diameter_mm is not None:
        return (feature.diameter_mm,)
    return feature.flats_pair_mm or (() if feature.flats_mm is None else (feature.flats_mm,))


def flags_of(part: Part, feature: Feature | None) -> tuple[str, ...]:
    """Flags of the feature and of the whole record."""
    own = () if feature is None else feature.flags
    return tuple(sorted({*own, *(w.flag for w in part.warnings)}))


def nearest(part: Part, kind: str, x: float, y: float, size: float, within: float = 3.0) -> Feature | None:
    """The feature of this kind nearest to a place and a size (px of the stack)."""
    best, best_gap = None, within
    for one in part.of_kind(kind):
        sizes = sizes_of(one)
        if one.x_mm is None or one.y_mm is None or not sizes:
            continue
        gap = max(
            float(np.hypot(one.x_mm.value / MM - x, one.y_mm.value / MM - y)), abs(sizes[0].value / MM - size) / 2
        )
        if gap < best_gap:
            best, best_gap = one, gap
    return best


def found_as(part: Part, kind: str, x: float, y: float, size: float, within: float = 3.0) -> Feature | None:
    """The feature of this kind, or a rectangle where a square was due: its flats are judged all the same."""
    one = nearest(part, kind, x, y, size, within)
    if one is None and kind.startswith("square"):
        return nearest(part, kind.replace("square", "rectangular"), x, y, size, within)
    return one


def sample(name: str, measured: Measured, truth: float, flags: tuple[str, ...], limit: float | None = None) -> Sample:
    """Compare one length in mm with a truth in px."""
    return Sample(name, measured.value / MM - truth, None if measured.u is None else measured.u / MM, limit, flags)


def turned(axis: Axis, pose: Pose, flags: tuple[str, ...]) -> Sample:
    """The angle between the axis found and the true one, degrees: its u is that of the direction, not of one slope."""
    off = np.degrees(np.linalg.norm(np.array(axis.direction_xyz) - pose.axis))
    return Sample("axis", float(off), axis.direction_u_deg, None, flags)


def with_edge(part: Part, feature: Feature, measured: Measured, name: str) -> Measured:
    """Join what an unknown grey scale adds to u: the record states it apart, because all edges share it."""
    answer, image = feature.sensitivity.get(name), part.image
    if measured.u is None or answer is None or image is None or image.edge_u_px is None or part.calibration is not None:
        return measured
    edge_u = abs(answer.edge) * image.edge_u_px * min(part.stack.voxel_mm[1:])
    return replace(measured, u=float(np.hypot(measured.u, edge_u)))


def compare(part: Part, truths: Sequence[True_], pose: Pose, *, edge_too: bool = False) -> Trial:
    """Errors of sizes and places (px), ends (slices) and axis (degrees); and which features were not found."""
    samples: list[Sample] = []
    missing: list[str] = []
    renamed: list[str] = []
    dz = pose.voxel[0]
    single = pose.shape[0] == 1
    for true in truths:
        low, high = pose.to_stack(true.x, true.y, true.low), pose.to_stack(true.x, true.y, true.high)
        middle = pose.to_stack(true.x, true.y, 0.0) if single else (low + high) / 2
        one = found_as(part, true.kind, middle[0], middle[1], true.sizes[0])
        if one is None:
            missing.append(true.kind)
            continue
        if one.kind != true.kind:
            renamed.append(f"{true.kind} as {one.kind}")
        flags = flags_of(part, one)
        sizes, ends = sizes_of(one), [one.depth_from_mm, one.depth_to_mm]
        if edge_too:
            name = "diameter_mm" if one.diameter_mm is not None else "flats_pair_mm_1" if one.flats_pair_mm else "flats_mm"
            sizes = tuple(with_edge(part, one, m, name) for m in sizes)
            ends = [
                None if m is None else with_edge(part, one, m, n)
                for m, n in zip(ends, ("depth_from_mm", "depth_to_mm"), strict=True)
            ]
        samples += [sample("size", m, t, flags) for m, t in zip(sizes, true.sizes, strict=False)]
        assert one.x_mm is not None and one.y_mm is not None
        samples += [sample("place", one.x_mm, middle[0], flags), sample("place", one.y_mm, middle[1], flags)]
        for got, want in zip(ends, (low[2], high[2]), strict=True):
            if single:
                continue
            if got is None:
                missing.append(f"end of {true.kind}")
                continue
            s = sample("end", got, want, flags)
            samples.append(Sample("end", s.error / dz, None if s.u is None else s.u / dz, None, flags))
    if not single:
        if part.axis is None:
            missing.append("axis")
        else:
            samples.append(turned(part.axis, pose, flags_of(part, None)))
    return Trial(tuple(samples), tuple(missing), tuple(renamed))
