"""Coordinates of the holes of one set-up from what it is picked up from, with u, and which face is up.

The measuring u and what the shop adds when it picks up and sets over are kept apart, never mixed.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import atan2, cos, hypot, radians, sin, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.measured import COVERAGE_FACTOR, decimals_for, format_u
from ctrecon.workshop.drilling.places import Place, ScanU, joint_covariance
from ctrecon.workshop.errors import PlanError

__all__ = ["Coordinate", "Coordinates", "FaceChoice", "PickUp", "choose_face", "choose_pick_up", "hole_coordinates"]

Face = Literal["top", "bottom"]


@dataclass(frozen=True)
class PickUp:
    """What a set-up is picked up from: a zero point and a direction of X.

    `kind` is the word for it: "bearing" (a bearing centre or other hole), "pin" or "edges". The direction comes
    from `along`, a second place that X points to (away from, with the bottom face up), or where that is None from
    `turn_deg`, the direction of an edge in the assembly frame, measured in the zero's scan with its own standard
    `u_turn_deg`. `plates` have it; `face` is where it can be reached from, None where from both.
    """

    id: str
    kind: Literal["bearing", "pin", "edges"]
    zero: Place
    plates: frozenset[str]
    along: Place | None = None
    turn_deg: float = 0.0
    u_turn_deg: float = 0.0
    face: Face | None = None


@dataclass(frozen=True)
class Coordinate:
    """A hole from the zero of its set-up: x, y (mm), standard u of each, their correlation, distance and its u."""

    id: str
    x: float
    y: float
    u_x: float
    u_y: float
    r: float
    distance: float
    u_distance: float


@dataclass(frozen=True)
class Coordinates:
    """The holes of one set-up from its zero; with the bottom face up X is mirrored. `worst_u` is the largest u."""

    pick_up: str
    face_up: Face
    holes: tuple[Coordinate, ...]
    worst_u: float
    reason: str


@dataclass(frozen=True)
class FaceChoice:
    """Which face is up, and the holes for which the stack must be turned over afterwards."""

    face_up: Face
    turned_over: tuple[str, ...]
    reason: str


def hole_coordinates(
    holes: Mapping[str, Place], pick_up: PickUp, *, face_up: Face = "top", scans: Mapping[str, ScanU] | None = None
) -> Coordinates:
    """Return the coordinates of holes from what the set-up is picked up from.

    Parameters
    ----------
    holes : mapping of str to Place
        Hole centres in the assembly frame, mm.
    pick_up : PickUp
        Zero and direction.
    face_up : "top" or "bottom"
        Face towards the drill; seen from below, X runs the other way.
    scans : mapping of str to ScanU, optional
        What places of one scan share; it cancels where zero and hole are of the same scan, except the scale.

    Raises
    ------
    PlanError
        If the second place is the zero itself, or the pick-up cannot be reached from this face.

    Notes
    -----
    First-order propagation of the joint covariance of zero, second place and hole (GUM 5.2.2).

    Examples
    --------
    >>> zero = PickUp("bearing A", "bearing", Place(10, 5), frozenset("ab"))
    >>> one = hole_coordinates({"h": Place(13, 9)}, zero, face_up="bottom").holes[0]
    >>> one.x, one.y, one.distance
    (-3.0, 4.0, 5.0)
    """
    if face_up not in ("top", "bottom"):
        raise PlanError(f"the face up is {face_up!r}; give top or bottom")
    if pick_up.face not in (None, face_up):
        raise PlanError(f"{pick_up.id} cannot be reached with the {face_up} face up; pick up from something else")
    along = pick_up.along
    if along is not None and hypot(along.x - pick_up.zero.x, along.y - pick_up.zero.y) < 1e-9:
        raise PlanError(f"{pick_up.id}: the second place is the zero itself and gives no direction; choose another")
    out = tuple(_one(name, place, pick_up, face_up, scans or {}) for name, place in holes.items())
    worst = max((max(one.u_x, one.u_y) for one in out), default=0.0)
    side = (
        "X runs to the left as drawn from the top, since the bottom face is up"
        if face_up == "bottom"
        else "top face up"
    )
    return Coordinates(pick_up.id, face_up, out, worst, f"from {_from(pick_up)}, {side}; {_known(worst)}")


def _one(name: str, hole: Place, pick_up: PickUp, face_up: Face, scans: Mapping[str, ScanU]) -> Coordinate:
    zero, along = pick_up.zero, pick_up.along
    dx, dy = hole.x - zero.x, hole.y - zero.y
    if along is None:
        turn, places = radians(pick_up.turn_deg), [zero, hole]
        jacobian = np.zeros((2, 5))
    else:
        ax, ay = along.x - zero.x, along.y - zero.y
        turn, places = atan2(ay, ax), [zero, hole, along]
        per_turn = np.array([-ay, ax]) / (ax**2 + ay**2)
        jacobian = np.zeros((2, 6))
    c, s = cos(turn), sin(turn)
    mirror = -1.0 if face_up == "bottom" else 1.0
    x, y = c * dx + s * dy, -s * dx + c * dy
    into = np.array([[c, s], [-s, c]])
    by_turn = np.array([y, -x])
    jacobian[:, :2], jacobian[:, 2:4] = -into, into
    if along is None:
        jacobian[:, 4] = by_turn
        joint = joint_covariance(places, scans, direction=(pick_up.u_turn_deg, zero.scan))
    else:
        jacobian[:, 4:6] = np.outer(by_turn, per_turn)
        jacobian[:, :2] -= np.outer(by_turn, per_turn)
        joint = joint_covariance(places, scans)
    cov: NDArray[np.float64] = jacobian @ joint @ jacobian.T
    u_x, u_y = sqrt(max(cov[0, 0], 0.0)), sqrt(max(cov[1, 1], 0.0))
    r = mirror * float(cov[0, 1]) / (u_x * u_y) if u_x > 0 and u_y > 0 else 0.0
    far = hypot(x, y)
    toward = np.array([x, y]) / far if far > 0 else np.zeros(2)
    u_far = sqrt(max(float(toward @ cov @ toward), 0.0)) if far > 0 else hypot(u_x, u_y)
    return Coordinate(name, mirror * x, y, u_x, u_y, min(max(r, -1.0), 1.0), far, u_far)


def _from(pick_up: PickUp) -> str:
    if pick_up.kind == "edges":
        return f"the edges {pick_up.id}"
    direction = "" if pick_up.along is None else " and the line to the second centre"
    return f"the centre of {pick_up.id}{direction}"


def _known(worst_u: float) -> str:
    U = COVERAGE_FACTOR * worst_u
    digits = decimals_for(U)
    return f"the least certain coordinate is known to U {format_u(U, digits)} mm" if U > 0 else "no u was given"


def choose_pick_up(
    candidates: Sequence[PickUp], holes: Mapping[str, Place], plates: Iterable[str], *, face_up: Face = "top",
    scans: Mapping[str, ScanU] | None = None,
) -> Coordinates:  # fmt: skip
    """Return the coordinates from the pick-up that leaves the least certain hole most certain.

    Parameters
    ----------
    candidates : sequence of PickUp
        What there is to pick up from.
    holes : mapping of str to Place
        Hole centres, mm.
    plates : iterable of str
        Plates of the set-up, top of the assembly first; the pick-up must be in the one that lies uppermost.
    face_up, scans
        As in `hole_coordinates`.

    Raises
    ------
    PlanError
        If nothing can be picked up in the plate that lies uppermost.
    """
    stack = list(plates)
    if not stack or not holes:
        raise PlanError("a set-up without plates or holes has nothing to pick up; name both")
    uppermost = stack[0] if face_up == "top" else stack[-1]
    able = [one for one in candidates if uppermost in one.plates and one.face in (None, face_up)]
    if not able:
        raise PlanError(
            f"nothing to pick up from is in plate {uppermost}, which lies uppermost; "
            f"give a bearing centre or two square edges of it"
        )
    each = [hole_coordinates(holes, one, face_up=face_up, scans=scans) for one in able]
    best = min(each, key=lambda one: one.worst_u)
    others = [one for one in each if one is not best]
    says = best.reason
    if others:
        next_best = min(others, key=lambda one: one.worst_u)
        U = COVERAGE_FACTOR * next_best.worst_u
        says += f"; from {next_best.pick_up} it would be U {format_u(U, decimals_for(U))} mm"
    return Coordinates(best.pick_up, best.face_up, best.holes, best.worst_u, says)


def choose_face(wanted: Mapping[str, Face | None]) -> FaceChoice:
    """Return the face that serves most holes; a tie goes to the top face, so that nothing is mirrored.

    Parameters
    ----------
    wanted : mapping of str to "top", "bottom" or None
        For each hole the face it must be drilled or broached from (a tapered hole from the pin's entry, a
        countersink from its own side); None where either serves.
    """
    for name, face in wanted.items():
        if face not in ("top", "bottom", None):
            raise PlanError(f"hole {name} wants the face {face!r}; give top, bottom or none")
    top = [name for name, face in wanted.items() if face == "top"]
    bottom = [name for name, face in wanted.items() if face == "bottom"]
    up: Face = "bottom" if len(bottom) > len(top) else "top"
    over = tuple(top if up == "bottom" else bottom)
    asked = bottom if up == "bottom" else top
    why = f"{', '.join(asked)} must be worked from it" if asked else "no hole asks for a side, so nothing is mirrored"
    turned = f"; turn the stack over for {', '.join(over)}" if over else ""
    return FaceChoice(up, over, f"{up} face up: {why}{turned}")
