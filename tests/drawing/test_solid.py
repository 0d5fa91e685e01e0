"""The solid: volumes against closed forms, places against the record, and files read back without the package."""

import itertools
import math
import re
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from drawing_records import disc, fragment, hub, many, medley, open_ended, plate, single_slice
from solid_records import chamfered, drilled_across, shapes, stacked, uneven_square
from test_items import riveted
from wheel_records import crown

from ctrecon.cli.main import main
from ctrecon.core.errors import CtreconError, InputError
from ctrecon.drawing.outlines import layer_contours
from ctrecon.drawing.paper.contours import circle
from ctrecon.record.items import items_of
from ctrecon.record.part import Part
from ctrecon.record.solid import solid_of
from ctrecon.record.store import write_part
from ctrecon.solid import write_solid
from ctrecon.solid.kernel import need_kernel, shape_of
from ctrecon.solid.mesh import meshes_of
from ctrecon.solid.plan import Block, Body, Run, solid_record
from ctrecon.solid.volume import record_volume, section_at

needs_kernel = pytest.mark.skipif(find_spec("OCP") is None, reason="the extra named solid is not installed")

TENTH_OF_A_PERCENT = 1e-3


def lens(reach: float, big: float, small: float) -> float:
    """Return the area two circles share (Weisstein, "Circle-Circle Intersection", MathWorld, eq. 14)."""
    a = math.acos((reach**2 + small**2 - big**2) / (2 * reach * small))
    b = math.acos((reach**2 + big**2 - small**2) / (2 * reach * big))
    heron = (-reach + small + big) * (reach + small - big) * (reach - small + big) * (reach + small + big)
    return small**2 * a + big**2 * b - math.sqrt(heron) / 2


def frustum(first: float, second: float, height: float) -> float:
    """Return the volume between two similar faces (Bronshtein, Handbook of Mathematics, 3.3.2: frustum)."""
    return height / 3 * (first + second + math.sqrt(first * second))


def shoelace(points: tuple[tuple[float, float], ...]) -> float:
    """Return the area of a polygon by Gauss's formula."""
    around = zip(points, points[1:] + points[:1], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in around)) / 2


def _shapes_volume() -> float:
    whole = shoelace(shapes().feature("F1").outline_mm or ())
    hexagon = 2 * math.sqrt(3) * 2.0**2  # of its inscribed circle's radius
    slot = 4.0 * 2.0 + math.pi
    rounded = 5.0 * 3.0 - (4 - math.pi) * 0.5**2
    return 2 * whole - 2 * hexagon - 2 * slot - rounded


HUB_BODY = math.pi * 36 * 1.5 + math.pi * 4.1**2 * 3 + 25 * 2.5 - math.pi * 1.5**2 * 7
HUB_SPACER = 1.6 * (math.pi * 25 - lens(6.5, 5.0, 2.5) - 5.02**2)  # its hole is wider by a gap of 0.01 mm all round
PLATE = 1.5 * 16 * 11 - 4 * 1.5 * (1.9**2 - (4 - math.pi) * 0.12**2) - math.pi * 1.5**2 * 1.5
PLATE -= sum(frustum(math.pi / 4 * (d - 0.015) ** 2, math.pi / 4 * (d + 0.015) ** 2, 1.5) for d in (1.1, 1.2))
PIN = math.pi * 9 * 4 + frustum(math.pi * 9, math.pi * 4, 1.0) - frustum(1.75**2, 2.25**2, 5.0)

_TOOTH = (5.0**2 - 4.0**2) * math.asin(0.6 / 4.5)  # sector of a ring whose flanks point to the axis
CROWN = 2 * math.pi * (5.0**2 - 1.0) + 12 * _TOOTH

CASES: dict[str, tuple[Callable[[], Part], tuple[float, ...]]] = {
    "hub": (hub, (HUB_BODY, HUB_SPACER)),
    "plate": (plate, (PLATE,)),
    "pin": (chamfered, (PIN,)),
    "stacked": (stacked, (math.pi * 25 * 2, math.pi * 25 * 3)),
    "block": (drilled_across, (360 - math.pi * 6,)),
    "shapes": (shapes, (_shapes_volume(),)),
    "fragment": (fragment, (math.pi * (64 - 25) * 3,)),  # to make: the whole ring
    "crown": (crown, (CROWN,)),
    "disc": (lambda: disc(8.0, 2.0), (math.pi * (16 - 1) * 2,)),
}
"""Records and the closed-form volumes of their bodies, mm³."""


SEVERAL = (hub, stacked, riveted)
"""Records of several pieces whose walls run straight."""


@pytest.mark.parametrize("make", SEVERAL)
def test_pieces_hold_what_their_outlines_enclose(make: Callable[[], Part]) -> None:
    """Each body's volume is its zones' outlines, areas by shapely, times their depths: one truth for what is whose."""
    from shapely.geometry import Polygon

    part = make()
    areas: Counter[tuple[str, str]] = Counter()
    for layer, contour in layer_contours(part):
        _, _, piece, *group, depths = layer.split("_")
        area = Polygon(contour.points(0.25)).area
        areas[piece, depths] += area if group[0] == "OUTSIDE" else -area if group[0] == "HOLES" else 0.0
    volumes: Counter[str] = Counter()
    for (piece, depths), area in areas.items():
        low, high = (float(z) for z in depths.removeprefix("Z").split("-"))
        volumes[piece] += area * (high - low)
    bodies = solid_record(part).bodies
    for item in items_of(part):
        for piece in item.pieces:  # those that are alike have the outlines of the first
            (body,) = (one for one in bodies if one.name == f"{piece.id} {piece.name}")
            assert record_volume(body) == pytest.approx(volumes[item.pieces[0].id], rel=5e-3)


@pytest.mark.parametrize("make", SEVERAL)
def test_metal_has_one_owner(make: Callable[[], Part]) -> None:
    """Across thirty depths no two bodies share metal, and together they are the part less its gaps."""
    from shapely import unary_union

    part = make()
    bodies = solid_record(part).bodies
    (whole,) = solid_record(replace(part, pieces=part.pieces[:1])).bodies
    gap = max((f.seam_mm.value for f in part.features if f.seam_mm), default=0.0)
    for z in np.linspace(-0.5, 7.5, 30):
        each = [
            unary_union([section_at(b, z) for b in body.blocks if b.run.low < z < b.run.high]) for body in bodies
        ]  # fmt: skip
        all_of_it = unary_union([section_at(b, z) for b in whole.blocks if b.run.low < z < b.run.high])
        together = unary_union(each)
        assert sum(one.area for one in each) == pytest.approx(together.area, abs=1e-9)
        missing = all_of_it.difference(together)
        assert together.difference(all_of_it).area < 1e-6 and missing.buffer(-0.6 * gap).area < 1e-6


@pytest.mark.parametrize("name", CASES)
def test_sections_summed_through_depth_give_the_closed_form(name: str) -> None:
    """Areas of sections, summed, are the volume that geometry gives for each piece, within 0.1 %."""
    make, wanted = CASES[name]
    record = solid_record(make())
    assert [record_volume(body) for body in record.bodies] == pytest.approx(wanted, rel=TENTH_OF_A_PERCENT)


def test_the_scan_as_explained_holds_the_same_metal() -> None:
    """The voxels' shares of metal that explain a scan add up to the solid's volume within 0.5 % (voxels are coarse)."""
    part = drilled_across()
    solid = solid_of(part)
    cells = sum(float(solid.coverage(k).sum()) for k in range(-2, part.stack.slices + 2))
    total = sum(record_volume(body) for body in solid_record(part).bodies)
    assert cells * math.prod(part.stack.voxel_mm) == pytest.approx(total, rel=5e-3)


def read_stl(path: Path) -> dict[str, np.ndarray]:
    """Return the triangles of every named solid, read by hand."""
    found: dict[str, list[list[float]]] = {}
    for line in path.read_text(encoding="ascii").splitlines():
        if line.startswith("solid"):
            spots = found.setdefault(line.removeprefix("solid").strip(), [])
        elif line.startswith("vertex"):
            spots.append([float(word) for word in line.split()[1:]])
    return {name: np.array(spots).reshape(-1, 3, 3) for name, spots in found.items()}


def volume(triangles: np.ndarray) -> float:
    """Return the enclosed volume by the divergence theorem; positive where facets face outwards."""
    one, two, three = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    return float(np.einsum("ni,ni->", one, np.cross(two, three))) / 6


@needs_kernel
@pytest.mark.parametrize("name", CASES)
def test_stl_is_closed_and_holds_the_volume(name: str, tmp_path: Path) -> None:
    """Every edge of the STL is shared by two facets that run along it opposite ways, and volumes keep to 0.1 %."""
    make, wanted = CASES[name]
    write_solid(make(), tmp_path / "solid.stl")
    bodies = read_stl(tmp_path / "solid.stl")
    assert [volume(one) for one in bodies.values()] == pytest.approx(wanted, rel=TENTH_OF_A_PERCENT)
    for triangles in bodies.values():
        edges: Counter[tuple[tuple[float, ...], tuple[float, ...]]] = Counter()
        for spots in triangles.tolist():
            ring = [tuple(spot) for spot in spots]
            edges.update(itertools.pairwise([*ring, ring[0]]))
        assert all(edges[b, a] == count for (a, b), count in edges.items())


@needs_kernel
@pytest.mark.parametrize("name", CASES)
def test_step_read_back_holds_the_volume(name: str, tmp_path: Path) -> None:
    """The STEP file, read back by the kernel, holds closed solids of the closed-form volumes within 0.1 %."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps
    from OCP.STEPControl import STEPControl_Reader

    make, wanted = CASES[name]
    path = tmp_path / "solid.step"
    write_solid(make(), path)
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    found = []
    for k in range(1, reader.NbShapes() + 1):
        sums = GProp_GProps()
        BRepGProp.VolumeProperties_s(reader.Shape(k), sums)
        found.append(sums.Mass())
    assert found == pytest.approx(wanted, rel=TENTH_OF_A_PERCENT)


@needs_kernel
def test_step_names_pieces_and_millimetres(tmp_path: Path) -> None:
    """Each piece is a named product of one closed solid, lengths are mm, and other letters are escaped."""
    write_solid(stacked(), tmp_path / "solid.step")
    text = (tmp_path / "solid.step").read_bytes().decode("ascii")
    assert re.findall(r" PRODUCT\('([^']*)'", text) == ["P1 body", "P2 \\X2\\00D8\\X0\\10 disc"]
    assert len(re.findall(r"MANIFOLD_SOLID_BREP", text)) == 2
    assert len(re.findall(r"CLOSED_SHELL", text)) == 2
    assert set(re.findall(r"SI_UNIT\(([^)]*\.METRE\.)\)", text.replace(" ", ""))) == {".MILLI.,.METRE."}


@needs_kernel
def test_the_same_record_gives_the_same_bytes(tmp_path: Path) -> None:
    """Neither file carries a date, a path or anything else that differs from one time to the next."""
    for name in ("one.step", "two.step", "one.stl", "two.stl"):
        write_solid(hub(), tmp_path / name)
    assert (tmp_path / "one.step").read_bytes() == (tmp_path / "two.step").read_bytes()
    assert (tmp_path / "one.stl").read_bytes() == (tmp_path / "two.stl").read_bytes()
    head = (tmp_path / "one.step").read_text(encoding="ascii").partition("DATA;")[0]
    assert not re.search(r"\d{4}-\d\d-\d\d|T\d\d:\d\d|/tmp", head)


@needs_kernel
def test_nothing_is_mirrored(tmp_path: Path) -> None:
    """Holes of the lopsided plate lie where the record has them, Y up, and their taper runs the right way."""
    write_solid(plate(), tmp_path / "solid.stl")
    (triangles,) = read_stl(tmp_path / "solid.stl").values()
    spots = triangles.reshape(-1, 3)
    assert spots.min(axis=0) == pytest.approx([-8.0, -5.5, -1.5])
    assert spots.max(axis=0) == pytest.approx([8.0, 5.5, 0.0])
    # the record, y down: F6 stands 5.2 left and 3.4 above the bore, F7 4.6 right and 3.1 below it
    for x, y, d in ((-5.2, 3.4, 1.1), (4.6, -3.1, 1.2)):
        for z, size in ((0.0, d - 0.015), (-1.5, d + 0.015)):
            at = spots[np.abs(spots[:, 2] - z) < 1e-6]
            away = np.hypot(at[:, 0] - x, at[:, 1] - y)
            assert away[away < 0.8] == pytest.approx(size / 2, abs=1e-5)
        assert (np.hypot(spots[:, 0] + x, spots[:, 1] - y) > 0.8).all()  # nothing at its mirror image


@needs_kernel
def test_the_start_face_is_the_outline_that_is_cut(tmp_path: Path) -> None:
    """The facets at Z = 0 look at the viewer and cover the contours that `outlines.dxf` holds, not their mirror image."""
    from shapely import affinity, unary_union
    from shapely.geometry import Polygon

    part = plate()
    write_solid(part, tmp_path / "solid.stl")
    (triangles,) = read_stl(tmp_path / "solid.stl").values()
    top = triangles[(np.abs(triangles[:, :, 2]) < 1e-6).all(axis=1)]
    assert (np.cross(top[:, 1] - top[:, 0], top[:, 2] - top[:, 0])[:, 2] > 0).all()
    face = unary_union([Polygon(one[:, :2]).buffer(1e-5) for one in top])
    cut = Polygon()
    for layer, contour in layer_contours(part):
        area = Polygon(contour.points(1.0))
        cut = cut.union(area) if layer.startswith("TO_MAKE_OUTSIDE") else cut.difference(area)
    assert face.symmetric_difference(cut).area < TENTH_OF_A_PERCENT * cut.area
    assert face.symmetric_difference(affinity.scale(cut, -1, 1, origin=(0, 0))).area > 0.03 * cut.area


@needs_kernel
def test_a_hole_across_lies_where_it_was_found(tmp_path: Path) -> None:
    """A hole across, 10° from y towards x in the stack (y down), runs 10° from -Y towards +X, 1 mm right, 3 mm deep."""
    a = math.radians(10.0)
    write_solid(drilled_across(cross_direction_xyz=(math.sin(a), math.cos(a), 0.0)), tmp_path / "solid.stl")
    (triangles,) = read_stl(tmp_path / "solid.stl").values()
    spots = triangles.reshape(-1, 3)
    wall = spots[(np.abs(spots[:, 2] + 3.0) < 1.5)]  # no corner of the block
    along = np.array([math.sin(a), -math.cos(a), 0.0])
    from_axis = wall - np.array([1.0, 0.0, -3.0])
    away = np.linalg.norm(from_axis - np.outer(from_axis @ along, along), axis=1)
    assert len(wall) > 20
    assert away == pytest.approx(1.0, abs=1e-4)


def test_the_two_sizes_of_a_square_keep_their_directions() -> None:
    """A square of 8 and 6 mm, 8 mm along 20° from x towards y, is 8 mm along X once X is its side."""
    (body,) = solid_record(uneven_square()).bodies
    turns = [math.atan2(b[1] - a[1], b[0] - a[0]) for a, b in body.blocks[0].run.first.segments()]
    lengths = [math.dist(a[:2], b[:2]) for a, b in body.blocks[0].run.first.segments()]
    # the sheet's X is the side nearest to the slices' x: 20 degrees off it
    along = [n for n, t in zip(lengths, turns, strict=True) if abs(math.sin(t)) < 1e-6]
    assert along == pytest.approx([8.0, 8.0])


def test_what_is_left_out_is_said() -> None:
    """Ends beyond the stack, teeth without flanks, lost corners, holes without an axis: each has its sentence."""
    across = solid_record(drilled_across(cross_diameter_mm=None, cross_direction_xyz=None))
    assert across.notes == (
        "F2 (free hole) is left out: it runs across the axis and its own axis is not known.",
    )
    assert "F2 ends with the stack: its far end may lie beyond it." in solid_record(open_ended()).notes
    assert "F1 has lost a corner: it is made whole." in solid_record(plate()).notes
    assert any("F7 is a wheel whose flanks are not in the record" in one for one in solid_record(medley()).notes)
    assert solid_record(disc(4.0, 1.0)).notes == ()
    three = stacked()
    for verdict, why in (
        ("separate", "all metal where it lies belongs to other pieces"),
        ("one_piece", "it is one with the rest, and its metal is left there"),
        ("undecided", "it may be one with the rest, and its metal is left there"),
    ):
        cap = replace(three.pieces[1], id="P3", name="cap", features=(), verdict=verdict)
        notes = solid_record(replace(three, pieces=(*three.pieces, cap))).notes
        assert f"P3 cap is not a body: {why}." in notes


def test_records_without_a_solid_are_refused() -> None:
    """A single slice has no depth, and a record of holes only has no metal: both are said in one sentence."""
    with pytest.raises(InputError, match="single slice, so it has no depth"):
        solid_record(single_slice())
    part = many(3)
    with pytest.raises(InputError, match="no outside"):
        solid_record(Part(name=part.name, made_with="", stack=part.stack, axis=part.axis, features=part.features[1:]))


@needs_kernel
def test_a_contour_that_the_kernel_cannot_hold_is_refused() -> None:
    """Far down, where double precision is coarser than a contour, the kernel makes no face; it is asked before it is used."""
    far = circle(0.0, 0.0, 2.55)
    with pytest.raises(CtreconError, match="too far out"):
        shape_of(Body("far", (Block(Run("F1", 0.0, 1e14, far, far), ()),)))


def test_another_ending_is_refused(tmp_path: Path) -> None:
    """The ending says which kind of file is wanted; one that says nothing is refused."""
    with pytest.raises(InputError, match=r"end it in \.step or \.stl"):
        write_solid(hub(), tmp_path / "solid.png")


def test_without_the_extra_it_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the modelling kernel one sentence names the extra, and nothing is written."""
    need_kernel.cache_clear()
    monkeypatch.setitem(sys.modules, "OCP", None)
    monkeypatch.setitem(sys.modules, "OCP.Message", None)
    with pytest.raises(CtreconError, match="extra named solid is not installed"):
        write_solid(hub(), tmp_path / "solid.step")
    assert list(tmp_path.iterdir()) == []
    write_part(stacked(), tmp_path / "part.json")
    assert main(["draw", str(tmp_path / "part.json"), "--out", str(tmp_path / "out"), "--solid"]) == 2
    assert not (tmp_path / "out").exists()


@needs_kernel
def test_draw_writes_solids_when_asked(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """`draw --solid` writes both files, lists them, and keeps the kernel's own chatter off the screen."""
    write_part(stacked(), tmp_path / "part.json")
    assert main(["draw", str(tmp_path / "part.json"), "--out", str(tmp_path / "out"), "--solid"]) == 0
    out, err = capfd.readouterr()
    assert out.splitlines()[0] == "written:"
    assert [line.rpartition("/")[2] for line in out.splitlines()[-2:]] == ["solid.step", "solid.stl"]
    assert "note: Pieces stand apart by the gaps of their side seams" in err
    assert (tmp_path / "out" / "solid.step").stat().st_size > 1000


@pytest.mark.parametrize("name", CASES)
def test_triangles_for_the_eye_enclose_the_closed_form(name: str) -> None:
    """Each piece as triangles is closed (the areas of its triangles sum to nothing) and holds its volume within 0.5 %."""
    make, wanted = CASES[name]
    meshes = meshes_of(make())
    assert [one.volume for one in meshes] == pytest.approx(wanted, rel=5e-3)
    for one in meshes:
        a, b, c = (one.corners[:, k] for k in range(3))
        areas = np.cross(b - a, c - a) / 2
        assert np.abs(areas.sum(axis=0)).max() < 1e-6 * np.linalg.norm(areas, axis=1).sum()
