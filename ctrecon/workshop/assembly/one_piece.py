"""One piece out of a record that holds several: what belongs to it, and the seams round it as its own walls."""

from dataclasses import replace
from math import hypot

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.record.kinds import KINDS, is_seam, kind_of
from ctrecon.record.part import Feature, Part
from ctrecon.record.sensitivity import with_sensitivity
from ctrecon.workshop.assembly.schema import nearest

__all__ = ["one_piece"]


def one_piece(part: Part, which: str) -> Part:
    """Return the record of one piece alone.

    The seam by which the piece sits on another becomes its hole, as wide as the middle of the gap and the gap; the
    seam of a piece that sits on it becomes a step of its own, narrower by the gap.

    Parameters
    ----------
    part : Part
        The record.
    which : str
        Id or name of the piece.

    Raises
    ------
    InputError
        If there is no such piece, or two of that name; without file and key.
    """
    found = [one for one in part.pieces if which in (one.id, one.name)]
    there = [f"{one.id} ({one.name})" for one in part.pieces]
    if not found:
        known = [name for one in part.pieces for name in (one.id, one.name)]
        raise InputError(f"its record has no piece '{which}'; {nearest(which, known)}")
    if len(found) > 1:
        raise InputError(f"its record has several pieces '{which}': {', '.join(there)}; give the id")
    piece = found[0]
    own = {ident for ident in piece.features if not is_seam(part[ident])}
    features = [one for one in part.features if one.id in own]
    for joint in part.joints:
        for ident in joint.features:
            if joint.piece == piece.id:
                features += _wall(part[ident], "_hole", 1.0)
            elif joint.on == piece.id:
                features += _wall(part[ident], "_outside", -1.0)
    return with_sensitivity(replace(part, features=tuple(features), pieces=(), joints=(), relations=(), hypotheses=()))


def _wall(seam: Feature, role: str, way: float) -> list[Feature]:
    """Return one side of a seam as a hole or an outside; none of a flat seam or one of no plain shape."""
    kind = kind_of(seam)
    name = seam.kind.removesuffix("_seam") + role
    gap = seam.seam_mm
    if kind.is_face or kind.is_outlined or name not in KINDS or gap is None:
        return []

    def moved(size: Measured | None) -> Measured | None:
        if size is None:
            return None
        u = None if size.u is None or gap.u is None else hypot(size.u, gap.u)
        return Measured(size.value + way * gap.value, u)

    pair = None if seam.flats_pair_mm is None else tuple(moved(one) or one for one in seam.flats_pair_mm)
    return [
        replace(
            seam,
            kind=name,
            seam_mm=None,
            diameter_mm=moved(seam.diameter_mm),
            flats_mm=moved(seam.flats_mm),
            flats_pair_mm=None if pair is None else (pair[0], pair[1]),
            arc_deg=360.0 if kind.is_round else None,
            sensitivity={},
        )
    ]
