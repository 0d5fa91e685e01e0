"""What to check first: the few things in a record that a person must decide, each with its picture."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ctrecon.core.flags import explain
from ctrecon.core.measured import format_percent, format_value
from ctrecon.plots.slices import cutout
from ctrecon.record.kinds import kind_words
from ctrecon.record.part import Alternative, Feature, Part, Piece
from ctrecon.record.pictures import SlicePicture
from ctrecon.report.embedded_images import figure_uri

__all__ = ["BASES", "Check", "checks_of", "is_close", "percent"]

MOST_SHOWN = 8
"""Features and pieces shown with a picture; of more than that the rest is named. A longer list is not read."""

_PLACES = 2  # of an eaten edge that are told first: they come deepest first
_CLOSE = 5.0  # ln odds: the margin below which measuring calls a shape undecided
_ODDS = "; ln odds"  # from here on an alternative says its odds in figures; here they are put in words
_UNSURE = (0.05, 0.95)  # probability between which a piece is neither separate nor one with the rest
BASES = {
    "file": "from the files",
    "stated": "stated by the user",
    "calibrated": "calibrated",
    "assumed": "assumed",
}
"""Where the scale or the direction of the slices comes from, in words."""


@dataclass(frozen=True)
class Check:
    """One thing to decide: its heading, what is known of it, its place in the report (and words for it), its picture.

    `picture` is a data URI, empty where no slice shows it; `shows` says what is on it.
    """

    heading: str
    says: tuple[str, ...]
    anchor: str
    where: str
    picture: str = ""
    shows: str = ""


def percent(chance: float) -> str:
    """Print a probability so that a thing nearly sure is not called sure.

    Examples
    --------
    >>> percent(0.62), percent(0.9996)
    ('62 %', '99.9 %')
    """
    return format_percent(chance) if 0.01 < chance < 0.99 else f"{format_value(min(max(100 * chance, 0.1), 99.9), 1)} %"


def checks_of(part: Part, pictures: Sequence[SlicePicture]) -> tuple[tuple[Check, ...], tuple[tuple[str, str], ...]]:
    """Return what to check first, and (anchor, heading) of what is left over when the list is full.

    Parameters
    ----------
    part : Part
        The record; one without features has nothing to check.
    pictures : sequence of SlicePicture
        Slices with the fitted outlines; the pictures are cut from them.
    """
    if not part.features:
        return (), ()
    found = [*_pieces(part), *_undecided(part), *_worn(part)]
    shown = [_with_picture(part, one, ids, pictures) for one, ids in found[:MOST_SHOWN]]
    return (*_about_the_whole(part), *shown), tuple((one.anchor, one.heading) for one, _ in found[MOST_SHOWN:])


def _about_the_whole(part: Part) -> Iterator[Check]:
    stack = part.stack
    if None in stack.scale_u_rel:
        basis = BASES.get(stack.scale_basis, stack.scale_basis)
        yield Check(
            "The scale is not known",
            (
                f"Every length depends on the voxel size. It is {basis}, without an uncertainty, so U leaves it out.",
                "Measure one size on the part itself and give it with --known FEATURE=VALUE±U.",
            ),
            "scale",
            "In the facts below",
        )
    if stack.handedness_basis == "assumed":
        yield Check(
            "Could be mirrored",
            (
                _sentence(explain("handedness_assumed")),
                "Before cutting, hold a feature that has a left and a right against the part; if it is turned over, "
                "measure again with --depth-towards-viewer.",
            ),
            "direction",
            "In the facts below",
        )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}".rstrip(".") + "."


def _pieces(part: Part) -> Iterator[tuple[Check, tuple[str, ...]]]:
    """Yield each doubtful piece with the features that may show it."""
    unsure = [(n, one) for n, one in enumerate(part.pieces, 1) if _is_unsure(one)]
    own = [(n, one) for n, one in unsure if not _is_rest(one)]
    several = len(part.pieces) > 1
    for number, piece in own or unsure:  # what is left of a part asks the same question once more
        reasons = [one for one in piece.evidence if one.kind not in ("rest", "limit")]
        weighty = sorted((one for one in reasons if one.weight), key=lambda one: -abs(one.weight))
        says = [one.says for one in (weighty or reasons)[:1]]
        advice = [one.says for one in reasons if one.kind == "would_settle" and one.says not in says]
        named = tuple(ident for one in reasons for ident in one.features)
        heading = f"{piece.id} {piece.name}: a piece of its own?" if several else "One piece or several?"
        check = Check(
            heading, (_how_likely(piece, several=several), *says, *advice), f"piece-{number}", "Under Pieces"
        )
        yield check, (*named, *piece.features) if several else named


def _how_likely(piece: Piece, *, several: bool) -> str:
    if piece.probability_separate is None:
        return "How likely it is, is not known."
    what = "it is separate" if several else "there is more than one"
    return f"The probability that {what} is {percent(piece.probability_separate)}."


def _is_unsure(piece: Piece) -> bool:
    chance = piece.probability_separate
    return piece.verdict == "undecided" if chance is None else _UNSURE[0] <= chance <= _UNSURE[1]


def _is_rest(piece: Piece) -> bool:
    return bool(piece.evidence) and all(one.kind in ("rest", "limit") for one in piece.evidence)


def _undecided(part: Part) -> Iterator[tuple[Check, tuple[str, ...]]]:
    """Yield the features of which the grey values allow more than one shape, unless a person has accepted them."""
    for number, feature in enumerate(part.features, 1):
        if "undecided" in feature.flags and not feature.accepted:
            close = [one for one in feature.alternatives if one.says and is_close(one)]
            told = tuple(f"{_sentence(one.says.split(_ODDS)[0])} {_chance(one)}" for one in close)
            yield _of_feature(feature, "undecided", told or (_sentence(explain("undecided")),), number)


def is_close(other: Alternative) -> bool:
    """Return whether the grey values leave another shape open: less than 150 to 1 against it."""
    return other.ln_odds < _CLOSE


def _chance(other: Alternative) -> str:
    return f"Of the two, the chance that it is as named: {percent(1 / (1 + math.exp(-other.ln_odds)))}."


def _worn(part: Part) -> Iterator[tuple[Check, tuple[str, ...]]]:
    """Yield the features whose edge is eaten, unless a person has accepted them."""
    for number, feature in enumerate(part.features, 1):
        if feature.worn is not None and not feature.accepted:
            places = feature.worn.says.split("; ")
            if len(places) > _PLACES + 2:  # the last says how the size was found
                places[_PLACES:-1] = [f"and more (all of them stand with {feature.id} in the table)"]
            says = (_sentence("; ".join(places)), "Check the full size where the edge is sound.")
            yield _of_feature(feature, "worn edge", says, number)


def _of_feature(feature: Feature, what: str, says: tuple[str, ...], number: int) -> tuple[Check, tuple[str, ...]]:
    heading = f"{feature.id} {kind_words(feature)}: {what}"
    return Check(heading, says, f"feature-{number}", "In the table of features"), (feature.id,)


def _with_picture(part: Part, check: Check, ids: Sequence[str], pictures: Sequence[SlicePicture]) -> Check:
    """Return the check with the picture of the first of these features that a slice shows."""
    known = {one.id: one for one in part.features}
    for ident in dict.fromkeys(ids):
        chosen = _slice_of(known[ident], pictures) if ident in known else None
        if chosen is not None:
            uri = figure_uri(cutout(chosen, part, ident))
            shows = f"{ident} on slice {chosen.index}, with its fitted outline."
            return Check(check.heading, check.says, check.anchor, check.where, uri, shows)
    return check


def _slice_of(feature: Feature, pictures: Sequence[SlicePicture]) -> SlicePicture | None:
    """Return the slice with the feature's outline that is nearest to its middle."""
    there = [one for one in pictures if any(ident == feature.id and len(curve) for ident, curve in one.curves)]
    if not there:
        return None
    used = feature.slices_used
    middle = sum(one.index for one in there) / len(there) if used is None else sum(used) / 2
    return min(there, key=lambda one: (abs(one.index - middle), one.index))
