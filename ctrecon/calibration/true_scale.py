"""True scale: puts voxel edges, sizes and their u right by sizes known from the part itself."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.calibration.known import Known, Reading, parse_knowns, read_known
from ctrecon.calibration.rescale import rescaled
from ctrecon.calibration.sentences import sentences, warnings_of
from ctrecon.calibration.solve import GROUPS, Solution, chance_of, solve
from ctrecon.core.arguments import need
from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.core.threads import in_one_thread
from ctrecon.core.voxel import LARGEST_MM, SMALLEST_MM, voxel_edges
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Evidence, Feature, KnownSize, Part, Piece, ScaleFound
from ctrecon.record.sensitivity import quantities, with_sensitivity
from ctrecon.record.store import need_sound

__all__ = ["EDGE_U_PX", "Calibration", "calibrate", "find_scale"]

EDGE_U_PX = 0.1
"""Standard uncertainty of the edge before anything is known, in voxels of the slice plane: a wrong level, beam
hardening or rough skin shift all edges of a scan alike by about a tenth of a voxel (the usual word on sub-voxel
surface points in CT metrology, J.-P. Kruth et al., CIRP Annals 60 (2011) 821; cited, not proved here)."""

_UNLIKELY = 0.01  # chance under which known sizes count as not agreeing
_APART_U_REL = 0.005  # a direction gets its own factor when the known sizes settle it to half a percent
_LOOSE_U_REL = 0.05  # ... or, where one factor is refuted, to this
_EDGE_MOST_PX = 10.0  # beyond is no edge: a wrong level moves one by part of the blur (common practice, no source)
_ROUNDS = 12
_TEXTS_STAND = 1e-4  # factors nearer to one leave sentences that quote lengths true


@dataclass(frozen=True, eq=False)
class Calibration:
    """What known sizes made of a record.

    Parameters
    ----------
    part : Part
        The record at true scale; `part.calibration` holds the rest of this for its readers.
    factor : (z, y, x)
        By how much each voxel edge grew, with u.
    edge_mm : Measured
        How much further out of the metal the true edge lies than it was measured.
    chi2, freedom, chance
        How the known sizes agree with each other and with what was expected.
    knowns : tuple of KnownSize
        Each known size with what is left between it and the scan.
    says : tuple of str
        The same in sentences.
    inconsistent : tuple of str
        Known sizes that do not agree with the others; empty where all is well.
    u_total : mapping
        (feature id, quantity) to its standard uncertainty in mm with scale and edge. In the record it
        stands in two parts: `u` as if the scale were known, `scale_u` for the rest.
    """

    part: Part
    factor: tuple[Measured, Measured, Measured]
    edge_mm: Measured
    chi2: float
    freedom: int
    chance: float
    knowns: tuple[KnownSize, ...]
    says: tuple[str, ...]
    inconsistent: tuple[str, ...]
    u_total: dict[tuple[str, str], float]


@in_one_thread
def calibrate(part: Part, *knowns: Known | str, edge_u_px: float = EDGE_U_PX) -> Part:
    """Return a record at true scale, found from sizes known from the real part.

    Parameters
    ----------
    part : Part
        A record as it was measured.
    *knowns : str or Known
        Such as ``"F2=12.00±0.02"`` (its main size), ``"F3.length=4.5±0.05"`` or ``"F1:F4=30.00±0.02"`` (distance of
        two axes): mm, U as printed (k = 2).
    edge_u_px : float
        Standard uncertainty of the edge before the known sizes are looked at, in voxels of the slice plane.

    Returns
    -------
    Part
        Every size and its u put right; `Part.calibration` says how, and
        `ctrecon.calibration.find_scale` gives all there is to know of it.

    Raises
    ------
    InputError
        If a known size cannot be read or names nothing that was measured, the same one is given twice, or the
        record was calibrated before, or would break its own rules by these sizes.

    Examples
    --------
    >>> import ctrecon as ct
    >>> part = ct.read_part("drum_hub_out/part.json")
    >>> part = ct.calibrate(part, "F1=6.42±0.02")
    >>> print(part["F1"].size, part.stack.scale_basis)
    6.42 ± 0.02 calibrated
    """
    need_part(part, "calibrate")
    for one in knowns:
        need(one, (str, Known), "calibrate", cure='give each known size by itself, such as "F2=12.00±0.02"')
    done = find_scale(part, knowns, edge_u_px=edge_u_px).part
    need_sound(done)
    return done


@in_one_thread
def find_scale(part: Part, knowns: Sequence[Known | str], *, edge_u_px: float = EDGE_U_PX) -> Calibration:
    """Find scale and edge offset of a scan from known sizes, and put the record right.

    Parameters
    ----------
    part : Part
        A record as it was measured.
    knowns : sequence of Known or str
        Sizes known from the part, or their text; see `parse_known`.
    edge_u_px : float
        Standard uncertainty of an edge offset of zero, in voxels of the slice plane.

    Returns
    -------
    Calibration
        The record at true scale, factors, edge offset, and how the known sizes agree.

    Raises
    ------
    InputError
        If a known size names nothing that was measured, the same one is given twice, or the record
        was calibrated before.

    Notes
    -----
    Every measured size q is off by one scale error in each direction and one edge offset e, the
    same all over the scan: true = q (1 + s) + c e, with c = 2 for an outside, -2 for a bore and 0
    for a centre distance. Known sizes, measured u, the expected edge offset (0 within `edge_u_px`)
    and the scale the files state (where its u is stated) are joined by generalised least squares.
    From one diameter alone the edge's u enters the scale; centre distances are free of it; a bore
    and an outside settle both.
    """
    known = parse_knowns(knowns)
    _refuse(part, known)
    start = with_sensitivity(part)
    before = [read_known(start, one) for one in known]
    for one, reading in zip(known, before, strict=True):
        _plausible(part, one, reading)
    groups, used, blamed, found, factor = _choose(start, known, edge_u_px)
    now = rescaled(start, factor)
    voxel_edges(now.stack.voxel_mm)
    off = found.edge_mm / max(now.stack.voxel_mm[1:])
    if abs(off) > _EDGE_MOST_PX:
        raise InputError(
            f"{part.name}: by the known sizes all edges would lie {abs(off):.0f} voxels off, which no scan has; check "
            "them against the sizes in the table"
        )
    stretch = max(1.0, found.chi2 / found.freedom) if blamed and found.freedom and len(used) == len(known) else 1.0
    found = replace(found, covariance=found.covariance * stretch)  # what does not agree is known less well
    u = found.scale_u
    factors = tuple(Measured(float(f), float(f * v)) for f, v in zip(factor, u, strict=True))
    edge = Measured(found.edge_mm, float(np.sqrt(found.covariance[0, 0])))
    after = [read_known(now, one) for one in known]
    sizes = tuple(
        KnownSize(
            name=one.name, value_mm=one.value_mm, u_mm=one.u_mm, before_mm=old.value_mm,
            residual_mm=one.value_mm - new.value_mm - new.edge * found.edge_mm, used=k in used,
        )
        for k, (one, old, new) in enumerate(zip(known, before, after, strict=True))
    )  # fmt: skip
    chance = chance_of(found.chi2, found.freedom)
    z, y, x = factors
    _, dy, dx = now.stack.voxel_mm
    says = sentences(
        (z, y, x), edge, sizes, groups=groups, edge_u_mm=edge_u_px * float(np.sqrt(dy * dx)),
        freedom=found.freedom, chance=chance,
    )  # fmt: skip
    warnings = warnings_of(part, (z, y, x), sizes, [sizes[k] for k in blamed], known)
    record = ScaleFound(knowns=sizes, factor=(z, y, x), edge_mm=edge, chi2=found.chi2, freedom=found.freedom, says=says)
    finished, totals = _finished(replace(now, warnings=(*part.warnings, *warnings), calibration=record), found)
    return Calibration(
        part=finished, factor=(z, y, x), edge_mm=edge, chi2=found.chi2, freedom=found.freedom, chance=chance,
        knowns=sizes, says=says, inconsistent=tuple(known[k].name for k in blamed), u_total=totals,
    )  # fmt: skip


def _refuse(part: Part, known: Sequence[Known]) -> None:
    if not known:
        raise InputError("no known size was given; give at least one, such as F1=12.00±0.02")
    if part.calibration is not None:
        raise InputError(
            f"{part.name}: the record was calibrated before, and the same size must not count twice; give all known "
            "sizes at once with the record as it was measured"
        )


def _plausible(part: Part, known: Known, reading: Reading) -> None:
    """Refuse a length by which no scan could have such voxels."""
    edge = max(part.stack.voxel_mm) * known.value_mm / reading.value_mm if reading.value_mm > 0 else 1.0
    if not SMALLEST_MM <= edge <= LARGEST_MM:
        raise InputError(
            f"by the known size of {known.name} a voxel would be {edge:g} mm long, which no scan has; type the size "
            "in mm"
        )


def _prior(part: Part, factor: Floats) -> tuple[Floats, Floats] | None:
    """Relative errors the file's own scale still has when the edges were already multiplied by `factor`."""
    stated = [one for one in part.stack.scale_u_rel if one is not None]
    if len(stated) < 3:
        return None
    return 1.0 / factor - 1.0, np.array(stated) / factor


def _iterate(start: Part, known: Sequence[Known], edge_u_px: float, groups: str) -> tuple[Solution, Floats] | None:
    """Solve, rescale and solve again until nothing moves: exact for any wrong scale."""
    wanted = {ident for one in known for ident in (one.feature, one.other)}
    few = replace(start, features=tuple(one for one in start.features if one.id in wanted), pieces=(), relations=())
    factor, now = np.ones(3), few
    for _ in range(_ROUNDS):
        readings = [read_known(now, one) for one in known]
        _, dy, dx = now.stack.voxel_mm
        found = solve(
            known, readings, u_of=_u_of(now, readings), edge_u_mm=edge_u_px * float(np.sqrt(dy * dx)),
            scale_prior=_prior(start, factor), groups=groups,
        )  # fmt: skip
        if found is None or (found.scale <= -0.9).any():
            return None
        factor = factor * (1 + found.scale)
        now = rescaled(few, factor)
        if float(np.abs(found.scale).max()) < 1e-10:
            return found, factor
    return None


def _u_of(part: Part, readings: list[Reading]) -> dict[tuple[str, str], float]:
    keys = {key for one in readings for key in one.parts}
    found = {ident: quantities(part.feature(ident)) for ident in {ident for ident, _ in keys}}
    return {key: float(found[key[0]][key[1]].u or 0.0) or 1e-9 for key in keys}


def _choose(
    start: Part, known: Sequence[Known], edge_u_px: float
) -> tuple[str, list[int], list[int], Solution, Floats]:
    """Choose which directions share a factor, and which known size is left out, if any.

    Returns the groups, the known sizes used and those blamed (by number), and the solution.
    """
    free = replace(start, stack=replace(start.stack, scale_u_rel=(None, None, None)))
    groups, every = "one", list(range(len(known)))
    for name in GROUPS:  # what the known sizes settle by themselves, without the files' word
        alone = _iterate(free, known, edge_u_px, name)
        if alone is not None and float(alone[0].scale_u.max()) < _APART_U_REL:
            groups = name
            break
    result = _iterate(start, known, edge_u_px, groups)
    if result is None:
        raise InputError(
            f"{start.name}: the known sizes ({', '.join(one.name for one in known)}) do not settle the scale; "
            "check them against the sizes in the table"
        )
    if _agree(result[0]):
        return groups, every, [], *result
    for name in GROUPS:
        finer = _iterate(start, known, edge_u_px, name)
        if finer is not None and float(finer[0].scale_u.max()) < _LOOSE_U_REL and _agree(finer[0]) and name != groups:
            return name, every, [], *finer
    cured = []
    for k in every:
        rest = [one for one in every if one != k]
        less = _iterate(start, [known[one] for one in rest], edge_u_px, groups) if rest else None
        if less is not None and _agree(less[0]):
            cured.append((k, rest, less))
    if len(cured) == 1 and cured[0][2][0].freedom > 0:
        k, rest, less = cured[0]
        return groups, rest, [k], *less
    return groups, every, [k for k, _, _ in cured] or every, *result


def _agree(found: Solution) -> bool:
    return chance_of(found.chi2, found.freedom) >= _UNLIKELY


def _finished(now: Part, found: Solution) -> tuple[Part, dict[tuple[str, str], float]]:
    """Move sizes by the edge offset and settle every u."""
    z, y, x = (float(one) for one in found.scale_u)
    part = replace(now, stack=replace(now.stack, scale_basis="calibrated", scale_u_rel=(z, y, x)))
    totals: dict[tuple[str, str], float] = {}
    features = tuple(_settled(one, found, totals) for one in part.features)
    moved = {old.id: new for old, new in zip(part.features, features, strict=True)}
    pieces = tuple(_piece(part, one, moved) for one in part.pieces)
    part = replace(part, features=features, pieces=pieces)
    factor = () if part.calibration is None else part.calibration.factor
    if max((abs(one.value - 1) for one in factor), default=0.0) > _TEXTS_STAND:
        part = _marked(part)
    return with_sensitivity(part), totals


def _marked(part: Part) -> Part:
    """Say of every sentence that quotes a length that it was written before calibration."""

    def mark(says: str) -> str:
        if " mm" not in says:
            return says
        stop = "." if says.endswith(".") else ""
        return f"{says.removesuffix('.')}; lengths in this sentence are those before calibration{stop}"

    def evidence(one: Evidence) -> Evidence:
        return replace(one, says=mark(one.says))

    features = tuple(
        replace(
            one,
            form_says=tuple(mark(says) for says in one.form_says),
            alternatives=tuple(replace(other, says=mark(other.says)) for other in one.alternatives),
        )
        for one in part.features
    )
    pieces = tuple(replace(one, evidence=tuple(evidence(reason) for reason in one.evidence)) for one in part.pieces)
    relations = tuple(replace(one, says=mark(one.says)) for one in part.relations)
    return replace(part, features=features, pieces=pieces, relations=relations)


def _settled(feature: Feature, found: Solution, totals: dict[tuple[str, str], float]) -> Feature:
    """Move one feature's sizes by the edge offset, and by what the known sizes say of their own errors."""
    changed: dict[str, Measured] = {}
    budget = dict(feature.budget)
    for name, measured in quantities(feature).items():
        answer = feature.sensitivity.get(name)
        if answer is None or measured.u is None:
            continue
        parts = _parts(feature, name)
        place = name in ("x_mm", "y_mm")
        inside = {} if place else {k: v for k, v in parts.items() if (feature.id, k) in found.errors}
        row = found.row(answer.edge, np.array(answer.scale), {(feature.id, k): v for k, v in inside.items()})
        value = measured.value + answer.edge * found.edge_mm
        value -= sum(share * found.errors[feature.id, k] for k, share in inside.items())
        own = 0.0 if inside else measured.u
        total2 = float(row @ found.covariance @ row) + own**2
        fixed2 = _at_fixed_scale(row, found) + own**2
        fixed2 = max(fixed2, 1e-6 * total2)
        changed[name] = Measured(value, float(np.sqrt(fixed2)), float(np.sqrt(max(total2 - fixed2, 0.0))))
        totals[feature.id, name] = float(np.sqrt(total2))
        listed = "flats_pair_mm" if name == "flats_pair_mm_1" else name
        if listed in budget:
            rest = float(np.sqrt(max(fixed2 - own**2, 0.0)))
            budget[listed] = {"known_sizes": rest} if inside else _with_edge(budget[listed], own, rest)
    pair = feature.flats_pair_mm
    if pair is not None:
        pair = (changed.pop("flats_pair_mm_1", pair[0]), changed.pop("flats_pair_mm_2", pair[1]))
    return replace(feature, flats_pair_mm=pair, budget=budget, **changed)  # type: ignore[arg-type]


def _with_edge(origins: Mapping[str, float], u: float, edge: float) -> dict[str, float]:
    """Stretch a budget to the u it belongs to, and add what is left of the edge offset."""
    sum_u = float(np.sqrt(sum(one**2 for one in origins.values())))
    out = {name: one * u / sum_u for name, one in origins.items()} if sum_u > 0 else {}
    return {**out, "edge_offset": edge} if edge > 0 else out


def _parts(feature: Feature, name: str) -> dict[str, float]:
    if name == "flats_mm" and feature.flats_pair_mm is not None:
        return {"flats_pair_mm_1": 0.5, "flats_pair_mm_2": 0.5}
    return {name: 1.0}


def _at_fixed_scale(row: Floats, found: Solution) -> float:
    """Variance of a quantity if the scale factors were known."""
    count = found.groups.shape[1]
    scale = slice(1, 1 + count)
    with_scale = row @ found.covariance[:, scale]
    inverse = np.linalg.inv(found.covariance[scale, scale])
    return max(float(row @ found.covariance @ row - with_scale @ inverse @ with_scale), 0.0)


def _piece(part: Part, piece: Piece, moved: Mapping[str, Feature]) -> Piece:
    """Give a piece the depths of the features it took them from."""

    def end(name: str) -> Measured | None:
        own: Measured | None = getattr(piece, name)
        if own is None:
            return None
        for one in part.features:
            theirs: Measured | None = getattr(one, name)
            if theirs is not None and abs(theirs.value - own.value) < 1e-9:
                new: Measured | None = getattr(moved[one.id], name)
                return new
        return own

    return replace(piece, depth_from_mm=end("depth_from_mm"), depth_to_mm=end("depth_to_mm"))
