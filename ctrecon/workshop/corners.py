"""Corners of square holes and pegs: relief so that a peg seats, the square's turn, and the boss round it."""

from dataclasses import dataclass
from math import acos, hypot, pi, radians, sin, sqrt

from ctrecon.core.measured import COVERAGE_FACTOR, Measured, decimals_for, format_short, format_u, format_value
from ctrecon.workshop.errors import PlanError

__all__ = [
    "LEAST_BOSS_WALL_MM", "BossWall", "CornerRelief", "CornerSeat", "SquareTurn", "boss_wall",
    "corner_relief", "corner_seat", "square_turn",
]  # fmt: skip

LEAST_BOSS_WALL_MM = 0.5
"""Least metal between a corner of a square hole and the outside of its boss (mm; common practice, no source)."""


@dataclass(frozen=True)
class CornerRelief:
    """A relief hole through a corner: centre along each side from the middle, how far it passes a flat (mm)."""

    radius: float
    centre: float
    past_flat: float
    mouth: float
    reason: str


@dataclass(frozen=True)
class CornerSeat:
    """Whether a chamfered peg seats in a filleted corner, the area that fouls (mm²), the leg that clears (mm)."""

    seats: bool
    foul_area: float
    least_leg: float
    stands_off: float
    reason: str


@dataclass(frozen=True)
class SquareTurn:
    """A square's turn from an edge (degrees, within 45), what it moves a corner, and what 1° does (mm)."""

    turn: Measured
    corner_moves: float
    corner_per_degree: float
    reason: str


@dataclass(frozen=True)
class BossWall:
    """Metal left at the corners of a square hole in a round boss (mm)."""

    wall: Measured
    corners: float
    reason: str


def corner_relief(flats: float, radius: float) -> CornerRelief:
    """Return the hole that clears a corner: its rim passes through the corner, its centre is on the diagonal.

    Parameters
    ----------
    flats : float
        Size across the flats, mm.
    radius : float
        Of the relief drill, mm.

    Notes
    -----
    The centre is r/√2 inside both flats, so the hole passes each by r (1 - 1/√2) and opens it for r√2 from the corner.

    Examples
    --------
    >>> round(corner_relief(5, 0.5).past_flat, 5)
    0.14645
    """
    if radius <= 0 or radius * sqrt(2) >= flats / 2:
        raise PlanError(
            f"a relief of {radius:g} mm radius does not suit a square of {flats:g} mm; take a smaller drill"
        )
    inside = radius / sqrt(2)
    past = radius * (1 - 1 / sqrt(2))
    says = (
        f"drill ⌀{format_short(2 * radius, 4)} with its centre {format_value(inside, 3)} mm inside both flats, so it "
        f"just meets the corner; it passes each flat by {format_value(past, 3)} mm"
    )
    return CornerRelief(radius, flats / 2 - inside, past, radius * sqrt(2), says)


def corner_seat(fillet: float, chamfer: float = 0.0) -> CornerSeat:
    """Return whether a peg with chamfered corners seats in a square hole whose corners have a fillet.

    Parameters
    ----------
    fillet : float
        Radius left in the corner by a file or cutter, mm.
    chamfer : float
        Leg of the 45° chamfer on the peg's corner, mm; 0 for a sharp corner.

    Notes
    -----
    A chamfer of leg c clears a fillet of radius r only from c = r on: one that is as deep as the fillet on the
    diagonal, c = 0.586 r, still fouls at both ends (own geometry, judged against polygons).
    """
    if fillet < 0 or chamfer < 0:
        raise PlanError("a fillet and a chamfer cannot be below 0; correct them")
    foul = 0.0
    if chamfer < fillet:
        # metal left in the corner, less what the chamfer takes off, less the part of that beyond the fillet's arc
        h = (2 * fillet - chamfer) / sqrt(2)
        beyond = fillet**2 * acos(h / fillet) - h * sqrt(fillet**2 - h**2) if h < fillet else 0.0
        foul = fillet**2 * (1 - pi / 4) - (chamfer**2 / 2 - beyond)
    seats = chamfer >= fillet
    stands = fillet * (sqrt(2) - 1)
    if seats:
        says = (
            f"a chamfer of {format_short(chamfer, 3)} mm clears the {format_short(fillet, 3)} mm radius in the corners"
        )
    else:
        says = (
            f"the {format_short(fillet, 3)} mm radius in the corners holds the peg off: chamfer it by at least "
            f"{format_short(fillet, 3)} mm, file the corner sharp, or relieve it"
        )
    return CornerSeat(seats, max(foul, 0.0), fillet, stands, says)


def square_turn(
    flats: float, square_deg: float, edge_deg: float = 0.0, *, u_square: float = 0.0, u_edge: float = 0.0
) -> SquareTurn:
    """Return how a square hole is turned against an edge, so that its corners can be marked from that edge.

    Parameters
    ----------
    flats : float
        Size across the flats, mm.
    square_deg, edge_deg : float
        Direction of a side of the square and of the edge, degrees.
    u_square, u_edge : float
        Standard u of each, degrees.

    Examples
    --------
    >>> turn = square_turn(5, 92.0, 3.0)
    >>> turn.turn.value, round(turn.corner_per_degree, 4)
    (-1.0, 0.0617)
    """
    if flats <= 0 or min(u_square, u_edge) < 0:
        raise PlanError("a square needs flats above 0 and no negative u; correct them")
    turn = (square_deg - edge_deg + 45.0) % 90.0 - 45.0
    reach = flats / sqrt(2)
    moves = 2 * reach * sin(radians(abs(turn)) / 2)
    per_degree = 2 * reach * sin(radians(1.0) / 2)
    value = Measured(turn, hypot(u_square, u_edge))
    U = COVERAGE_FACTOR * (value.u or 0.0)
    says = (
        f"turned {format_value(turn, decimals_for(U) if U > 0 else 2)}° from the edge, which moves a corner by "
        f"{format_value(moves, 2)} mm; each degree more moves it {format_value(per_degree, 3)} mm"
    )
    if U > 0:
        says += f", and the turn is known to U {format_u(U, decimals_for(U))}°"
    return SquareTurn(value, moves, per_degree, says)


def boss_wall(outside: Measured, flats: Measured, *, least: float = LEAST_BOSS_WALL_MM) -> BossWall:
    """Return the metal between the corners of a square hole and the outside of its round boss.

    Parameters
    ----------
    outside, flats : Measured
        Diameter of the boss and size across the flats, mm.
    least : float
        Least wall, mm.

    Raises
    ------
    PlanError
        If less than `least` is left.

    Examples
    --------
    >>> round(boss_wall(Measured(10), Measured(5)).wall.value, 4)
    1.4645
    """
    if flats.value <= 0 or outside.value <= 0:
        raise PlanError("a boss and its square need sizes above 0; correct them")
    corners = flats.value * sqrt(2)
    wall = (outside.value - corners) / 2
    known = outside.u is not None and flats.u is not None
    u = hypot(outside.u or 0.0, (flats.u or 0.0) * sqrt(2)) / 2 if known else None
    scale = None
    if outside.scale_u is not None and flats.scale_u is not None:
        # one scale for both: what it adds goes with the difference
        scale = abs(outside.scale_u - sqrt(2) * flats.scale_u) / 2
    size = f"a {format_short(flats.value, 4)} mm square is {format_value(corners, 2)} mm over its corners"
    if wall < least:
        enough = format_value(corners + 2 * least, 2)
        raise PlanError(
            f"{size} and leaves {format_value(wall, 3)} mm of wall in a boss of "
            f"⌀{format_short(outside.value, 4)}, less than {format_short(least, 3)} mm: take a boss of ⌀{enough} or "
            f"more, or a smaller square"
        )
    says = f"{size}, which leaves {format_value(wall, 2)} mm of wall in the boss"
    return BossWall(Measured(wall, u, scale), corners, says)
