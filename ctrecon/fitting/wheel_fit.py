"""One fit of a toothed rim to grey: centre, circles of tips and roots, the mean tooth, and the angle of every tooth."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.frames import Floats
from ctrecon.fitting.wheel_image import MeanTooth, image_of
from ctrecon.grey.noise import Correlation

__all__ = ["RimPoints", "WheelFit", "fit_wheel"]

_ROUNDS = 40
_STILL_PX = 3e-4
_TUKEY = 4.7  # noise; Tukey's bisquare at 95 % efficiency
_BEND_SD = 0.02  # of a pitch: what the half width may bend from knot to knot of five; decides where grey does not
_TIP_BEND = 3.0  # times as much at the tip, which may be round
_LEAN_SD = 0.1
_TIP_SD = 0.7  # px about where the outline begins: of a tooth that runs out in a point nothing else tells the end
_BLUR_SD = 0.15  # px about the blur of the scan
_STEPS = {"root": 0.02, "tip": 0.02, "blur": 0.01, "lean": 0.005, "half": 0.02}
_OWN = 0.62  # of a pitch beside the last tooth of a stretch
_BELOW, _BEYOND = 3.2, 4.5  # blurs below the roots and beyond the tips that are looked at
_SOUND = 1.35  # times the misfit of most teeth; beyond, a tooth does not have the mean form
_SOUND_GREY = 0.04  # contrasts; less than that is the scanner's
_LEAST_SOUND = 3
_STIFF = 1e12  # information that holds a parameter
_THINNEST = 0.02  # of the pitch
_WIDEST = 0.47  # of the pitch at its radius: half a tooth, so that a gap is left
# A slit narrower than blur hardly shows, and so not where it ends. A gap is as wide as this at its floor and above it:
_FLOOR, _OPEN = 0.7, 1.4  # blurs
_LEAST_WIDE = 0.3  # of the pitch: half a tooth may always be so wide
_FAR_PX = 10.0  # unit of the slope of grey along the radius


@dataclass(frozen=True, eq=False)
class RimPoints:
    """Grey beside a rim: column, row (px), grey (air 0, metal 1) and how many voxels are behind each."""

    column: Floats
    row: Floats
    grey: Floats
    weight: Floats

    def some(self, keep: NDArray[np.bool_]) -> "RimPoints":
        """Return those that are marked."""
        return RimPoints(self.column[keep], self.row[keep], self.grey[keep], self.weight[keep])


@dataclass(frozen=True, eq=False)
class WheelFit:
    """A fitted rim, px and radians.

    Attributes
    ----------
    x, y : float
        Centre.
    tooth : MeanTooth
        The mean tooth.
    angles, u_angles : (n,) arrays
        Middle of every tooth, ascending, and u if the centre were known.
    sound : (n,) bool array
        Teeth that have the mean form; they alone settle it.
    lost, u_lost : (n,) arrays
        How far short of the circle of the tips each tooth ends; of a tooth that lost more than the blur, at least.
    left : (n,) array
        Share of the mean tooth that is there: 0 where none is.
    names, covariance : tuple of str, (p, p) array
        Parameters x, y and those of the tooth, with what errors of the angles add.
    rms : float
        Misfit of sound teeth, in noise.
    """

    x: float
    y: float
    tooth: MeanTooth
    angles: Floats
    u_angles: Floats
    sound: NDArray[np.bool_]
    lost: Floats
    u_lost: Floats
    left: Floats
    names: tuple[str, ...]
    covariance: Floats
    rms: float
    limit: Floats
    """Covariance from the noise alone (Cramér and Rao's limit of this fit)."""

    @property
    def pitch(self) -> float:
        """Median step between neighbours, radians."""
        return float(np.median(np.diff(np.sort(self.angles))))

    def u(self, name: str) -> float:
        """Return the standard uncertainty of one parameter."""
        k = self.names.index(name)
        return float(np.sqrt(max(self.covariance[k, k], 0.0)))


@dataclass(frozen=True, eq=False)
class _State:
    x: float
    y: float
    tooth: MeanTooth
    angles: Floats
    levels: Floats

    @property
    def pitch(self) -> float:
        """Median step between neighbours, radians."""
        return float(np.median(np.diff(self.angles))) if len(self.angles) > 1 else float(np.pi / 3)

    @property
    def widest(self) -> Floats:
        """Most that each half width may be, px."""
        return _widest(self.tooth.radii, self.pitch, self.tooth.blur)

    @property
    def thinnest(self) -> float:
        """Least that a half width may be, px: a tooth that is thinner at its tip is not seen to end."""
        return _THINNEST * self.pitch * self.tooth.tip

    def held(self, step: Floats) -> NDArray[np.bool_]:
        """Return which parameters of the tooth are at a bound that a step would pass."""
        half, by = self.tooth.half, step[6 : 2 + len(self.tooth.values)]
        out = ((half >= self.widest - 1e-6) & (by > 0)) | ((half <= self.thinnest + 1e-6) & (by < 0))
        return np.asarray(np.r_[np.zeros(4, dtype=bool), out])

    def moved(self, step: Floats) -> "_State":
        """Return the state after a step of all parameters; no tooth turns thin or upside down."""
        m, n = len(self.tooth.values), len(self.angles)
        values = self.tooth.values + step[2 : 2 + m]
        values[1] = max(values[1], values[0] + 0.5)
        values[2] = float(np.clip(values[2], 0.3, 3.0))
        widest = _widest(np.linspace(values[0], values[1], m - 4), self.pitch, values[2])
        values[4:] = np.clip(values[4:], self.thinnest, widest)
        levels = self.levels + step[2 + m : len(step) - n]
        angles = self.angles + step[len(step) - n :]
        return _State(self.x + step[0], self.y + step[1], self.tooth.changed(values), angles, levels)


@dataclass(frozen=True, eq=False)
class _Model:
    """The model at some points.

    `common` are its slopes by centre, tooth and levels; `cell` the tooth a point belongs to, `off` its angle from that;
    `by_angle` numbers of three teeth near each point and the slopes by their angles; `own` the grey of its own tooth.
    """

    grey: Floats
    common: Floats
    cell: NDArray[np.int64]
    off: Floats
    near: NDArray[np.int64]
    by_angle: Floats
    own: Floats


def _widest(radii: Floats, pitch: float, blur: float) -> Floats:
    """Return the most that half a tooth may measure at some radii, from its root outwards, px."""
    around = pitch * radii
    out = _WIDEST * around
    gap = blur * np.r_[_FLOOR, np.full(len(radii) - 1, _OPEN)]
    out = np.clip((around - gap) / 2, _LEAST_WIDE * around, out)
    return np.asarray(out)


def _turned(angle: Floats) -> Floats:
    return np.asarray((angle + np.pi) % (2 * np.pi) - np.pi)


def _nearest(angles: Floats, angle: Floats) -> NDArray[np.int64]:
    """Return which of some angles (any order) each angle is nearest to, all of them round the circle."""
    order = np.argsort(angles % (2 * np.pi))
    ranked = (angles % (2 * np.pi))[order]
    wide = np.r_[ranked[-1] - 2 * np.pi, ranked, ranked[0] + 2 * np.pi]
    names = np.r_[order[-1], order, order[0]]
    return np.asarray(names[np.searchsorted((wide[1:] + wide[:-1]) / 2, angle % (2 * np.pi))])


def _greys(far: Floats, c: Floats, s: Floats, share: Floats) -> Floats:
    """Return columns of air and metal, each with a slope across the wheel, metal also along the radius."""
    return np.column_stack([1 - share, c * (1 - share), s * (1 - share), share, c * share, s * share, far * share])


def _model(points: RimPoints, state: _State) -> _Model:
    dx, dy = points.column - state.x, points.row - state.y
    r, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    tooth, n = state.tooth, len(state.angles)
    middle = (tooth.root + tooth.tip) / 2
    cell = _nearest(state.angles, angle)
    near = np.column_stack([(cell + k) % n for k in (-1, 0, 1)]) if n > 2 else cell[:, None]
    off = _turned(angle[:, None] - state.angles[near])
    aside, height = r[:, None] * np.sin(off), r[:, None] * np.cos(off)
    grid = image_of(tooth, 0.9 * state.pitch * tooth.tip)

    def drawn(one: MeanTooth) -> tuple[Floats, Floats, Floats, Floats]:
        """Share of metal; each tooth's, and its slopes aside and along the height."""
        # the edge of a disc shows sigma² / 2R nearer to its centre
        disc = ndtr((one.root - r - one.blur**2 / (2 * r)) / one.blur)
        each, by_a, by_h = image_of(one, 0.0, grid).at(aside - one.lean * (height - middle), height)
        return disc + each.sum(axis=1), each, by_a, by_h

    share, each, by_a, by_h = drawn(tooth)
    c, s, far = np.cos(angle), np.sin(angle), (r - middle) / _FAR_PX
    columns = _greys(far, c, s, share)
    contrast = (_greys(far, c, s, np.ones(len(r))) - _greys(far, c, s, np.zeros(len(r)))) @ state.levels
    wide = []
    for i, name in enumerate(tooth.names):
        step = _STEPS[name.partition("_")[0]]
        values = tooth.values
        values[i] += step
        wide.append(contrast * (drawn(tooth.changed(values))[0] - share) / step)
    by_disc = -np.exp(-0.5 * ((tooth.root - r) / tooth.blur) ** 2) / (np.sqrt(2 * np.pi) * tooth.blur)
    by_turn = by_a * (height + tooth.lean * aside) - by_h * aside
    along = by_disc + (by_a * (np.sin(off) - tooth.lean * np.cos(off)) + by_h * np.cos(off)).sum(axis=1)
    round_ = by_turn.sum(axis=1) / r
    by_x, by_y = contrast * (round_ * s - along * c), contrast * (-round_ * c - along * s)
    common = np.column_stack([by_x, by_y, *wide, columns])
    mid = near.shape[1] // 2
    return _Model(
        columns @ state.levels, common, cell, off[:, mid], near, -contrast[:, None] * by_turn, contrast * each[:, mid]
    )


@dataclass(frozen=True, eq=False)
class _Solved:
    """One weighted solution: the step, both blocks of the normal matrix, and the weights of the points."""

    step: Floats
    common: Floats
    cross: Floats
    turns: Floats


def _solve(
    model: _Model, rest: Floats, weight: Floats, sound: NDArray[np.bool_], prior: tuple[Floats, Floats]
) -> _Solved:
    """Return the step of a weighted fit; points of teeth that are not sound move their own angle only."""
    n = len(sound)
    shared = model.common * sound[model.cell][:, None]
    turn = np.zeros((len(rest), n))
    np.put_along_axis(turn, model.near, model.by_angle, axis=1)
    weighted = turn * weight[:, None]
    common = shared.T @ (shared * weight[:, None])
    cross = shared.T @ weighted
    turns = turn.T @ weighted
    matrix, pull = prior
    m = len(matrix)
    common[2 : 2 + m, 2 : 2 + m] += matrix
    right = np.r_[shared.T @ (weight * rest), weighted.T @ rest]
    right[2 : 2 + m] += pull
    whole = np.block([[common, cross], [cross.T, turns]])
    ridge = 1e-9 * np.trace(whole) / len(whole)
    step = np.linalg.solve(whole + ridge * np.eye(len(whole)), right)
    return _Solved(step, common, cross, turns)


def _prior(tooth: MeanTooth, pitch_px: float, blur: float | None, tip: float) -> tuple[Floats, Floats]:
    """Return the information about the tooth before the grey is seen: even flanks, no lean, the scan's blur."""
    m = len(tooth.values)
    matrix = np.zeros((m, m))
    knots = len(tooth.half)
    if knots > 2:
        bend = np.zeros((knots - 2, m))
        for k in range(knots - 2):
            bend[k, 4 + k : 7 + k] = 1.0, -2.0, 1.0
        sd = np.full(knots - 2, _BEND_SD * pitch_px * (4.0 / (knots - 1)) ** 1.5)
        sd[-1] *= _TIP_BEND
        matrix += (bend.T / sd**2) @ bend
    matrix[3, 3] += 1 / _LEAN_SD**2
    pull = -matrix @ tooth.values
    matrix[1, 1] += 1 / _TIP_SD**2
    pull[1] += (tip - tooth.tip) / _TIP_SD**2
    if blur is not None:
        matrix[2, 2] += 1 / _BLUR_SD**2
        pull[2] += (blur - tooth.blur) / _BLUR_SD**2
    return matrix, pull


def _within(points: RimPoints, state: _State, model: _Model) -> NDArray[np.bool_]:
    """Return which points are beside a tooth, below the roots and beyond the tips as far as blur reaches."""
    r = np.hypot(points.column - state.x, points.row - state.y)
    tooth = state.tooth
    near = (r > tooth.root - _BELOW * tooth.blur) & (r < tooth.tip + _BEYOND * tooth.blur)
    return np.asarray(near & (np.abs(model.off) < _OWN * state.pitch))


def _weights(rest: Floats, points: RimPoints, noise: float, within: NDArray[np.bool_]) -> Floats:
    """Return what each point weighs: its voxels over the noise, less where it is off by more than that explains."""
    plain = points.weight * within / noise**2
    scale = max(1.0, 1.4826 * float(np.median((np.abs(rest) * np.sqrt(plain))[within]))) if within.any() else 1.0
    z = rest * np.sqrt(plain) / (scale * _TUKEY)
    return np.asarray(plain * np.where(np.abs(z) < 1, (1 - z**2) ** 2, 0.0) / scale**2)


def _cells(model: _Model, rest: Floats, plain: Floats, count: int) -> Floats:
    """Return the misfit of every tooth's points, in noise; `plain` is what each weighs."""
    total = np.bincount(model.cell, plain * rest**2, count)
    return np.asarray(np.sqrt(total / np.maximum(np.bincount(model.cell, plain > 0, count), 1)))


def fit_wheel(
    points: RimPoints, start: MeanTooth, centre: tuple[float, float], angles: Floats, *, noise: float,
    blur: float | None = None, correlation: Correlation | None = None, voxel_px: tuple[float, float] = (1.0, 1.0),
) -> WheelFit | FitFailed:
    """Fit a rim to the grey beside it.

    Parameters
    ----------
    points : RimPoints
        Points from below the roots to beyond the tips.
    start : MeanTooth
        Where the form of the tooth begins.
    centre : (float, float)
        Where the centre begins, px.
    angles : (n,) array
        Where the teeth begin, radians, ascending.
    noise : float
        Standard deviation of one voxel's grey.
    blur : float, optional
        Blur of the scan, px.
    correlation : Correlation, optional
        Correlation of the noise of neighbouring voxels.
    voxel_px : (float, float)
        How high a row and how wide a column of voxels is, px.

    Notes
    -----
    Least squares in grey with Tukey's weights. Angles are free: an error of the division does not pull the centre,
    which follows from both circles and from where the flanks point. Teeth that are not like most keep an angle of
    their own and say nothing of the form. u joins the noise and what sectors of the rim disagree about.
    """
    state = _State(*centre, start, np.asarray(angles, dtype=float), np.array([0.0, 0, 0, 1.0, 0, 0, 0]))
    sound = np.ones(len(angles), dtype=bool)
    pitch_px = state.pitch * start.tip
    for round_ in range(_ROUNDS):
        model = _model(points, state)
        within = _within(points, state, model)
        rest = points.grey - model.grey
        weight = _weights(rest, points, noise, within)
        prior = _prior(state.tooth, pitch_px, blur, start.tip)
        step = _solve(model, rest, weight, sound, prior).step
        m = len(state.tooth.values)
        held = state.held(step)
        if held.any():  # what is at its bound and would leave it stays, and the others know
            prior[0][np.diag_indices(m)] += np.where(held, _STIFF, 0.0)
            step = _solve(model, rest, weight, sound, prior).step
        most = max(float(np.abs(step[:2]).max()), float(np.abs(step[[2, 3, *range(6, 2 + m)]]).max()))
        turn = float(np.abs(step[len(step) - len(angles) :][sound]).max()) * state.tooth.tip if sound.any() else 0.0
        step = step * min(1.0, 1.0 / max(most, turn, 1e-9))
        most_turn = 0.2 * state.pitch
        step[len(step) - len(angles) :] = np.clip(step[len(step) - len(angles) :], -most_turn, most_turn)
        state = state.moved(step)
        if not np.isfinite(state.x + state.y + state.tooth.values.sum()):
            return FitFailed("the fit of its teeth runs away")
        if round_ >= 4:
            off = _cells(model, rest, points.weight * within / noise**2, len(angles))
            usual = float(np.median(off))
            grey = noise / np.sqrt(float(np.mean(points.weight[within]))) if within.any() else noise
            again = (off < _SOUND * usual) | (grey**2 * (off**2 - usual**2) < _SOUND_GREY**2)
            settled = bool((again == sound).all())
            sound = again if round_ < 16 else sound & again
            if settled and max(most, turn) < _STILL_PX:
                break
    if sound.sum() < _LEAST_SOUND:
        return FitFailed("fewer than three teeth have one form")
    return _result(
        points, state, sound, noise, correlation, voxel_px, _prior(state.tooth, pitch_px, blur, start.tip)
    )


def _result(
    points: RimPoints, state: _State, sound: NDArray[np.bool_], noise: float, correlation: Correlation | None,
    voxel_px: tuple[float, float], prior: tuple[Floats, Floats],
) -> WheelFit:  # fmt: skip
    """Return the fit with its covariance."""
    n, tooth = len(state.angles), state.tooth
    model = _model(points, state)
    rest = points.grey - model.grey
    within = _within(points, state, model)
    weight = _weights(rest, points, noise, within)
    solved = _solve(model, rest, weight, sound, prior)
    back = np.linalg.solve(solved.turns + 1e-9 * np.eye(n) * np.trace(solved.turns) / n, solved.cross.T)
    effective = solved.common - solved.cross @ back
    inverse = np.linalg.inv(effective + 1e-12 * np.eye(len(effective)) * np.trace(effective) / len(effective))
    score = model.common * (weight * rest * sound[model.cell])[:, None]
    by_cell = np.column_stack([np.bincount(model.cell, one, n) for one in score.T])
    groups = max(1, round(n / 40))
    grouped = np.add.reduceat(by_cell, np.arange(0, n, groups), axis=0)
    count = len(grouped)
    sandwich = inverse @ (grouped.T @ grouped) @ inverse * count / max(count - 6, 1)
    # what each point counts in the parameters, the angles following; and in the angle of its own tooth
    mine = model.common * sound[model.cell][:, None]
    for k in range(model.near.shape[1]):
        mine = mine - model.by_angle[:, k, None] * back[model.near[:, k]]
    turn = model.by_angle[:, model.near.shape[1] // 2]
    counts = np.column_stack([mine @ inverse, turn]) * weight[:, None]
    grain: Floats = np.ones(counts.shape[1])
    if correlation is not None:
        grain = correlation.of_weighted(points.row / voxel_px[0], points.column / voxel_px[1], counts)
    own_grain = float(grain[-1])
    alone = inverse * np.sqrt(np.outer(grain[:-1], grain[:-1]))
    stretch = np.sqrt(np.maximum(np.diag(sandwich) / np.diag(alone), 1.0))
    covariance = alone * np.outer(stretch, stretch)
    k, foot = 2 + tooth.names.index("root"), 2 + tooth.names.index("half_0")
    if tooth.half[0] >= state.widest[0] - 1e-6:  # the least gap decides where the roots are: it may be none, or double
        covariance[k, k] += (covariance[k, foot] / covariance[foot, foot] * _FLOOR * tooth.blur / np.sqrt(12)) ** 2
    own = np.where(np.diag(solved.turns) > 0, np.diag(solved.turns), np.inf)
    off = _cells(model, rest, points.weight * within / noise**2, n)
    worse = np.maximum(off, 1.0)
    u_angles = np.sqrt(own_grain / own) * worse
    m = 2 + len(tooth.values)
    tips = model.common[:, 3] * points.weight * within / noise**2  # not less where a tip is gone
    per_tip = np.bincount(model.cell, tips * model.common[:, 3], n)
    lost = -np.bincount(model.cell, tips * rest, n) / np.maximum(per_tip, 1e-12)
    u_lost = np.sqrt(own_grain / np.maximum(per_tip, 1e-12))
    plain = points.weight * within
    left = 1 + np.bincount(model.cell, plain * rest * model.own, n) / np.maximum(
        np.bincount(model.cell, plain * model.own**2, n), 1e-12
    )
    return WheelFit(
        state.x, state.y, tooth, state.angles, u_angles, sound, lost, u_lost, left,
        ("x", "y", *tooth.names), covariance[:m, :m], float(np.sqrt(np.mean(off[sound] ** 2))), inverse[:m, :m],
    )  # fmt: skip
