"""What the report asks its reader to check first: only what needs a decision, with its picture and a way to it."""

import base64
import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.plots.slices import cutout
from ctrecon.record.part import Alternative, Evidence, Part, Relation
from ctrecon.record.pictures import SlicePicture
from ctrecon.record.store import read_part
from ctrecon.record.worn import Worn
from ctrecon.report import report_html
from ctrecon.report.checks import MOST_SHOWN, checks_of

HUB = Path(__file__).parents[1] / "plots" / "hub.json"


@pytest.fixture
def clear() -> Part:
    """The hub with nothing left to decide: scale and direction known, pieces sure, no shape undecided."""
    hub = read_part(HUB)
    stack = replace(hub.stack, scale_u_rel=(0.001, 0.001, 0.001), handedness_basis="file")
    features = tuple(replace(one, flags=tuple(f for f in one.flags if f != "undecided")) for one in hub.features)
    pieces = tuple(replace(one, verdict="separate", probability_separate=0.99) for one in hub.pieces)
    return replace(hub, stack=stack, features=features, pieces=pieces, warnings=())


def slice_of(index: int, ident: str, *, middle: tuple[float, float] = (60.0, 40.0), radius: float = 8.0) -> SlicePicture:
    """Return a slice of 90 x 120 voxels, grey rising by column, with a round curve."""
    turn = np.linspace(0.0, 2 * np.pi, 60)
    curve = np.column_stack([middle[0] + radius * np.cos(turn), middle[1] + radius * np.sin(turn)])
    grey = np.tile(np.arange(120, dtype=np.float32), (90, 1))
    return SlicePicture(index=index, grey=grey, origin_rc=(0, 0), curves=((ident, curve),))


def opening(html: str) -> str:
    """Return what stands before the facts, its tags taken out."""
    body = html.split("<body>")[1].split('<dl class="facts">')[0]
    return " ".join(unescape(re.sub("<[^>]*>", " ", body)).split())


def test_nothing_to_decide_is_one_sentence(clear: Part) -> None:
    """Where all is settled the report says so once and asks for nothing."""
    assert checks_of(clear, ()) == ((), ())
    html = report_html(clear)
    assert "Check these first" not in html
    assert opening(html).count("Nothing here needs a decision") == 1


def test_unknown_scale_and_direction_come_first(clear: Part) -> None:
    """A scale without uncertainty and an assumed direction are asked for, each with a link to the facts."""
    stack = replace(clear.stack, scale_u_rel=(None, 0.001, 0.001), handedness_basis="assumed")
    checks, _ = checks_of(replace(clear, stack=stack), ())
    assert [one.heading for one in checks] == ["The scale is not known", "Could be mirrored"]
    html = report_html(replace(clear, stack=stack))
    assert 'href="#scale"' in html and 'id="scale"' in html and 'href="#direction"' in html and 'id="direction"' in html
    assert "Nothing here needs a decision" not in html


def with_feature(part: Part, ident: str, **changes: object) -> Part:
    return replace(part, features=tuple(replace(f, **changes) if f.id == ident else f for f in part.features))


def test_undecided_and_worn_features_are_shown(clear: Part) -> None:
    """An undecided feature gives the odds, a worn one says where; each has its picture and a link to its own row."""
    odds = Alternative(kind="worn", ln_odds=1.2, says="It could also be an edge eaten smoothly; ln odds 1.2")
    part = with_feature(clear, "F3", flags=("undecided",), alternatives=(odds,))
    eaten = Worn(share=0.18, deepest_mm=Measured(0.35, 0.02), says="Eaten over 18 % of its edge: up to 0.35 mm deep.")
    part = with_feature(part, "F2", worn=eaten)
    checks, more = checks_of(part, (slice_of(20, "F3"), slice_of(30, "F2")))
    assert [one.heading[:2] for one in checks] == ["F3", "F2"] and more == ()
    # 1 / (1 + exp(-1.2)) = 0.769: odds of exp(1.2), by hand
    chance = "Of the two, the chance that it is as named: 77 %."
    assert checks[0].says == (f"It could also be an edge eaten smoothly. {chance}",)
    assert checks[1].says[0] == eaten.says
    assert all(one.picture.startswith("data:image/svg+xml;base64,") for one in checks)
    assert "slice 20" in checks[0].shows and "slice 30" in checks[1].shows
    html = report_html(part, (slice_of(20, "F3"), slice_of(30, "F2")))
    row = html.split(f'id="{checks[0].anchor}"')[1].split("</tr>")[0]
    assert "<b>F3</b>" in row
    assert eaten.says in html.split(f'id="{checks[1].anchor}"')[1].split("</tr>")[0]


def test_what_a_person_accepted_is_not_asked_again(clear: Part) -> None:
    """A feature that was looked at and found right is no longer on the list."""
    part = with_feature(clear, "F3", flags=("undecided",))
    assert len(checks_of(part, ())[0]) == 1
    assert checks_of(with_feature(part, "F3", accepted=True), ())[0] == ()


@pytest.mark.parametrize(("chance", "asked"), [(0.04, False), (0.05, True), (0.62, True), (0.95, True), (0.96, False)])
def test_pieces_between_5_and_95_percent_are_asked_for(clear: Part, chance: float, asked: bool) -> None:
    """Only a piece that is neither sure nor ruled out is asked for, with its strongest reason and what would settle it."""
    reasons = (
        Evidence(kind="seam", features=("F5",), weight=2.0, says="A darker line in slices 49 to 72."),
        Evidence(kind="metal", features=(), weight=-3.0, says="Both sides are of one grey."),
        Evidence(kind="would_settle", features=(), weight=0.0, says="Finer slices would settle it."),
    )
    rest = (Evidence(kind="rest", features=(), weight=0.0, says="What is left."),)
    body = replace(clear.pieces[0], probability_separate=chance, evidence=rest)
    other = replace(clear.pieces[1], probability_separate=chance, evidence=reasons)
    checks, _ = checks_of(replace(clear, pieces=(body, other)), (slice_of(60, "F5"),))
    assert len(checks) == asked
    for one in checks:
        assert one.heading.startswith(other.id) and one.anchor == "piece-2"
        assert one.says[1:] == (reasons[1].says, reasons[2].says)
        assert "slice 60" in one.shows


def test_a_single_doubtful_piece_asks_whether_there_are_several(clear: Part) -> None:
    """With one piece listed the question is whether there are more; nothing in a slice shows that."""
    alone = replace(clear.pieces[0], verdict="undecided", probability_separate=None, evidence=())
    checks, _ = checks_of(replace(clear, pieces=(alone,)), (slice_of(60, "F1"),))
    assert [(one.heading, one.picture) for one in checks] == [("One piece or several?", "")]


def test_a_long_list_is_cut_and_the_rest_is_linked(clear: Part) -> None:
    """Of twenty undecided features eight are shown, the others named with links to their rows."""
    features = tuple(replace(clear.features[2], id=f"F{n}", flags=("undecided",)) for n in range(1, 21))
    part = replace(clear, features=features, pieces=())
    checks, more = checks_of(part, ())
    assert (len(checks), len(more)) == (MOST_SHOWN, 20 - MOST_SHOWN)
    html = report_html(part)
    assert all(f'href="#{anchor}"' in html and f'id="{anchor}"' in html for anchor, _ in more)


def test_cutout_shows_the_feature_and_some_room(clear: Part) -> None:
    """A circle of radius 8 at (60, 40) is cut out with 0.3 of its width around: columns 47 to 73, rows 27 to 53."""
    figure = cutout(slice_of(20, "F3"), clear, "F3")
    (axes,) = figure.axes
    assert tuple(axes.images[0].get_extent()) == (46.5, 73.5, 53.5, 26.5)
    shown = np.asarray(axes.images[0].get_array())
    assert (shown[0, 0], shown[0, -1]) == (47, 73), "the grey of those columns"
    assert axes.images[0].get_clim()[1] > 115, "greys of the whole window, not of the cutout"
    corner = cutout(slice_of(20, "F3", middle=(3.0, 4.0)), clear, "F3").axes[0]
    assert tuple(corner.images[0].get_extent())[::3] == (-0.5, -0.5), "cut at the border of the slice"


def test_figures_within_noise_fold_away(clear: Part) -> None:
    """Relations that noise explains stand in a folded part, those that tell something do not."""
    told = Relation(kind="axis_offset", features=("F1", "F2"), value=Measured(0.2, 0.01), says="F2 lies 0.2 mm from F1")
    noise = replace(told, features=("F1", "F3"), says="F3 lies 0.001 mm from F1; not significant (within noise)")
    html = report_html(replace(clear, relations=(told, noise)))
    folded = "".join(one.split("</details>")[0] for one in html.split("<details>")[1:])
    assert noise.says in folded and told.says not in folded and told.says in html
    assert "<details open" not in html


def test_pictures_of_the_list_are_sound(clear: Part) -> None:
    """The picture on the list is the cutout itself, drawn into the page."""
    part = with_feature(clear, "F3", flags=("undecided",))
    (check,), _ = checks_of(part, (slice_of(20, "F3"),))
    assert base64.b64decode(check.picture.split(",")[1]).startswith(b"<?xml")
    assert check.picture in report_html(part, (slice_of(20, "F3"),))
