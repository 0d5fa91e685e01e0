"""The report: complete in itself, nothing in it is run, and it says what it does not know."""

import base64
import os
import subprocess
import sys
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from ctrecon.core.errors import CtreconError
from ctrecon.core.flags import explain
from ctrecon.core.measured import Measured
from ctrecon.record.explained import Explained, ExplainedSlice, ResidualRegion
from ctrecon.record.part import Feature, Part, Warn
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture, SlicePicture
from ctrecon.record.store import read_part
from ctrecon.report import report_html, write_report

HUB = Path(__file__).parent / "plots" / "hub.json"
HOSTILE = "<script>alert(1)</script>\"'><img src=http://x.invalid/a.png onerror=alert(2)>{{ 7*7 }}"


@dataclass(frozen=True, eq=False)
class Measurement:
    part: Part
    pictures: tuple[SlicePicture, ...] = ()
    seam_pictures: tuple[SeamPicture | FaceSeamPicture, ...] = ()


@dataclass(frozen=True)
class Names:
    names: tuple[str, ...]


class Page(HTMLParser):
    """Collects the tags, their attributes and the visible text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def images(self) -> list[bytes]:
        uris = [str(attrs["src"]) for tag, attrs in self.tags if tag == "img"]
        return [base64.b64decode(uri.removeprefix("data:image/svg+xml;base64,"), validate=True) for uri in uris]


@pytest.fixture
def hub() -> Part:
    return read_part(HUB)


def picture(index: int, *ids: str) -> SlicePicture:
    """Return an invented slice, a bright square, with a round curve for each id."""
    grey = np.zeros((40, 50), dtype=np.float32)
    grey[8:32, 10:40] = 100.0
    turn = np.linspace(0.0, 2 * np.pi, 50)
    curve = np.column_stack([25 + 8 * np.cos(turn), 20 + 8 * np.sin(turn)])
    return SlicePicture(index=index, grey=grey, origin_rc=(0, 0), curves=tuple((one, curve) for one in ids))


def test_complete_in_itself(hub: Part) -> None:
    """No tag points outside the page, every link leads to a place on it, nothing runs, and the page forbids both."""
    page = Page(report_html(hub, (picture(20, "F1", "F2"),)))
    kinds = {tag for tag, _ in page.tags}
    assert not kinds & {"script", "link", "iframe", "object", "embed", "base", "form", "svg"}
    places = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(set(places)) == len(places)
    for tag, attrs in page.tags:
        if tag == "a":
            assert str(attrs.pop("href")).removeprefix("#") in places
        assert not any(name.startswith("on") for name in attrs), tag
        for name in ("src", "href", "srcset", "action", "data"):
            assert str(attrs.get(name) or "data:image/svg+xml;base64,").startswith("data:image/svg+xml;base64,")
    policy = next(attrs["content"] for tag, attrs in page.tags if "http-equiv" in attrs)
    assert str(policy).startswith("default-src 'none'")


def test_pictures_are_sound(hub: Part) -> None:
    """Slice, what to check, depth chart, pieces and residuals are well-formed SVG without scripts or outside references."""
    images = Page(report_html(hub, (picture(20, "F1", "F2"),))).images()
    assert len(images) == 5
    for image in images:
        for node in ET.fromstring(image).iter():
            assert not node.tag.endswith("script")
            target = node.get("{http://www.w3.org/1999/xlink}href", "#")
            assert target.startswith(("#", "data:image/png;base64,"))


def test_hostile_texts_stay_texts(hub: Part) -> None:
    """Every text that can come from files is shown as it is and starts no tag, script or template."""
    feature = replace(hub.features[2], flags=(HOSTILE,), basis=HOSTILE, unknown={"depth_to_mm": HOSTILE})
    part = replace(
        hub,
        name=HOSTILE,
        made_with=HOSTILE,
        stack=replace(hub.stack, source=HOSTILE, scale_basis=HOSTILE, handedness_basis=HOSTILE),
        features=(feature,),
        pieces=(replace(hub.pieces[0], name=HOSTILE, verdict=HOSTILE, unknown={"probability_separate": HOSTILE}),),
        warnings=(Warn(flag=HOSTILE, says=HOSTILE),),
        unknown={"axis": HOSTILE},
    )
    sound = Page(report_html(replace(hub, features=hub.features[2:3], pieces=hub.pieces[:1]), (picture(0),), ("x",)))
    page = Page(report_html(part, (picture(0, HOSTILE),), (HOSTILE,)))
    assert {tag for tag, _ in page.tags} <= {tag for tag, _ in sound.tags}
    assert page.text.count("<script>alert(1)</script>") >= 9
    assert page.text.count("{{ 7*7 }}") == page.text.count("<script>alert(1)</script>")


def test_says_what_was_measured(hub: Part) -> None:
    """Value and U of the bore stand in the page, rounded by the one rule (U 0.0014 keeps two digits)."""
    text = Page(report_html(hub)).text
    assert "1.2034 mm U 0.0014" in text
    assert "U without scale (k = 2)" in text
    assert "U is measuring uncertainty, not a tolerance." in text
    assert "local rules and licensed practice come first" in text
    assert "1.20° U 0.04" in text
    assert "0.05 × 0.05 × 0.06 mm" in text


def test_known_scale_enters_u(hub: Part) -> None:
    """With the scale known to 1 in 1000, the bore's U becomes 2 hypot(0.0007, 0.0012034) = 0.0028 mm, shown 0.003."""
    text = Page(report_html(replace(hub, stack=replace(hub.stack, scale_u_rel=(0.001, 0.001, 0.001))))).text
    assert "1.203 mm U 0.003" in text
    assert "without scale" not in text


def test_flags_and_reasons_are_explained(hub: Part) -> None:
    """Each flag comes with its sentence and the features that carry it; unknown numbers with their reason."""
    text = Page(report_html(hub)).text
    for feature in hub.features:
        for flag in feature.flags:
            assert f"({feature.id}): {explain(flag)}." in text
    assert "Not known: depth to, length (the hole reaches the last slice)" in text
    assert "the weights are not calibrated yet" in text
    assert hub.pieces[1].evidence[0].says in text


def test_mirror_warning(hub: Part) -> None:
    """An assumed handedness is warned about, one read from the files is not."""
    assert "Could be mirrored" in Page(report_html(hub)).text
    known = replace(hub, warnings=(), stack=replace(hub.stack, handedness_basis="file"))
    assert "Could be mirrored" not in Page(report_html(known)).text


def offset_of(html: str, ident: str) -> tuple[float, float]:
    """Return X and Y of a feature from the table of axes."""
    table = html.split("Where the axes lie")[1].split("</table>")[0]
    row = next(one for one in table.split("<tr>") if f"<b>{ident}</b>" in one)
    x, y = (float(one.split("mm</span>")[0]) for one in row.split('class="v">')[1:])
    return x, y


def test_axes_are_placed_in_the_part_frame(hub: Part) -> None:
    """Two bores on one leaning axis lie at one place; a third 2 mm below in the slices lies 2 cos(tilt) lower, Y up."""
    slope = 0.020942419883356957 / 0.9997806834748455
    shaft = replace(hub.features[1], taper_mm_per_mm=None)

    def at(ident: str, y_at_zero: float, low: float, high: float) -> Feature:
        y = Measured(y_at_zero + slope * (low + high) / 2, 0.0001)
        return replace(shaft, id=ident, y_mm=y, depth_from_mm=Measured(low, 0.001), depth_to_mm=Measured(high, 0.001))

    part = replace(hub, pieces=(), features=(at("F1", 3.0, 0.0, 1.0), at("F2", 3.0, 3.0, 4.0), at("F3", 5.0, 1.0, 4.0)))
    html = report_html(part)
    assert offset_of(html, "F2") == pytest.approx((0.0, 0.0), abs=0.001)
    assert offset_of(html, "F3") == pytest.approx((0.0, -2.0 * 0.9997806834748455), abs=0.001)


def test_axes_are_placed_from_the_largest_outside(hub: Part) -> None:
    """The widest outside is the reference, be it round or rectangular; what runs across the axis is left out."""
    assert "from the axis of F1<" in report_html(hub)
    wide = replace(
        hub.features[3],
        kind="rectangular_outside",
        flats_mm=None,
        flats_pair_mm=(Measured(9.0, 0.01), Measured(2.0, 0.01)),
    )
    html = report_html(replace(hub, features=(*hub.features[:3], wide, *hub.features[4:])))
    assert "from the axis of F4<" in html
    assert "<b>F7</b>" not in html.split("from the axis of F4<")[1].split("</table>")[0]


@pytest.mark.parametrize("count", [0, 1, 60])
def test_none_one_and_many_features(hub: Part, count: int) -> None:
    """Empty and crowded records both give a page with a row for each feature."""
    features = tuple(replace(hub.features[n % 8], id=f"F{n + 1}") for n in range(count))
    shown = (picture(3, *(one.id for one in features)),) if count else ()
    html = report_html(replace(hub, features=features, pieces=()), shown)
    assert html.count('<td class="small"><div>measured</div>') == count
    assert ("Nothing was measured." in html) == (count == 0)


def test_single_slice_without_depths(hub: Part) -> None:
    """One slice, no depths, no axis: said with the reasons, and no depth chart is drawn."""
    why = "a single slice has no depth"
    ends = ("depth_from_mm", "depth_to_mm", "length_mm")
    flat = replace(
        hub.features[1], depth_from_mm=None, depth_to_mm=None, length_mm=None, unknown=dict.fromkeys(ends, why)
    )
    part = replace(
        hub, axis=None, features=(flat,), pieces=(), stack=replace(hub.stack, slices=1), unknown={"axis": why}
    )
    page = Page(report_html(part, (picture(0, "F2"),)))
    assert f"Not known: depth from, depth to, length ({why})" in page.text
    assert f"Not known: axis ({why})" in page.text
    assert len(page.images()) == 2


def test_eight_pictures_at_most_named_by_file(hub: Part) -> None:
    """Of twelve slices eight are shown, first and last among them, each with the name of its file."""
    shown = tuple(picture(index, "F1") for index in range(11, -1, -1))
    names = tuple(f"hub_{index}.tif" for index in range(12))
    page = Page(report_html(hub, shown, names))
    alts = [str(attrs["alt"]) for tag, attrs in page.tags if tag == "img" and str(attrs["alt"]).startswith("slice")]
    assert len(alts) == 8
    assert alts[0].startswith("slice 0, depth 0.000 mm")
    assert alts[-1].startswith("slice 11, depth 0.550 mm")
    assert "hub_11.tif" in page.text


def seam_picture(ident: str) -> SeamPicture:
    """An invented seam: dark all round, in a level section."""
    around = np.linspace(0, 2 * np.pi, 25)
    return SeamPicture(
        feature=ident, along_px=np.arange(24) + 0.5, angle_deg=np.arange(24) * 15.0, corners_px=(),
        depth_slices=np.arange(30.0, 60.0), contrast=np.full((30, 24), -0.03, dtype=np.float32),
        section=np.zeros((20, 20), dtype=np.float32),
        outline_px=np.column_stack([10 + 4 * np.cos(around), 10 + 4 * np.sin(around)]), planes=9,
    )  # fmt: skip


def test_seams_are_shown_for_the_reader_to_judge(hub: Part, tmp_path: Path) -> None:
    """A seam brings its two pictures and the slices to look at, and the pieces are shown pulled apart."""
    seam = next(f for f in hub.features if f.kind == "square_seam")
    write_report(Measurement(hub, (), (seam_picture(seam.id),)), None, tmp_path / "report.html")
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    alts = [str(attrs["alt"]) for tag, attrs in page.tags if tag == "img"]
    assert [alt for alt in alts if alt.startswith(f"Mean section of {seam.id}")]
    assert [alt for alt in alts if alt.startswith(f"{seam.id} square seam unrolled")]
    assert [alt for alt in alts if "pulled apart" in alt]
    assert "One piece or two?" in page.text
    bare = Page(report_html(replace(hub, pieces=hub.pieces[:1])))
    assert "One piece or two?" not in bare.text
    assert not [1 for tag, attrs in bare.tags if tag == "img" and "pulled apart" in str(attrs["alt"])]


def test_written_whole_or_not_at_all(hub: Part, tmp_path: Path) -> None:
    """The file holds the whole page; where it cannot be put, nothing is left behind."""
    measurement = Measurement(hub, (picture(20, "F1"),))
    write_report(measurement, Names(("a.tif",) * 96), tmp_path / "report.html")
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert text.rstrip().endswith("</html>")
    (tmp_path / "taken").mkdir()
    with pytest.raises((OSError, CtreconError)):
        write_report(measurement, None, tmp_path / "taken")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["report.html", "taken"]


def test_names_that_are_no_text(hub: Part, tmp_path: Path) -> None:
    """A folder name with bytes that are not text does not stop the report."""
    write_report(Measurement(replace(hub, name="h\udcffb")), None, tmp_path / "report.html")
    assert "h?b" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_same_bytes_in_every_run(tmp_path: Path) -> None:
    """Two fresh programs with different hash seeds write the same bytes."""
    program = (
        "import sys, numpy as np; from ctrecon.report import report_html; from ctrecon.record.store import read_part;"
        "from ctrecon.record.pictures import SlicePicture as P;"
        "c = np.array([[1.0, 1.0], [5.0, 1.0], [5.0, 6.0]]);"
        "p = P(3, np.eye(8, dtype=np.float32), (0, 0), (('F1', c), ('F2', c + 1)));"
        "sys.stdout.buffer.write(report_html(read_part(sys.argv[1]), (p,)).encode())"
    )
    runs = [
        subprocess.run(
            [sys.executable, "-c", program, str(HUB)],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    ]
    assert runs[0] == runs[1]
    assert len(runs[0]) > 10_000


def test_how_far_the_record_explains_the_scan() -> None:
    """The section gives the share, the list of what is left and its pictures; it is not there when nobody looked."""
    part = read_part(HUB)
    grey = np.zeros((20, 24), dtype=np.float32)
    lump = ResidualRegion(
        says="slices 5 to 8: metal darker than the record says; a crack or seam? <b>", sign=-1, x_mm=1.25, y_mm=2.5,
        depth_from_mm=0.3, depth_to_mm=0.48, slices=(5, 8), size_mm=(0.75, 0.1, 0.24), strength=12.4, voxels=80,
    )  # fmt: skip
    view = ExplainedSlice(6, grey, grey, grey, (0, 0))
    found = Explained((1.0,) * 96, 0.9931, 0.004, (lump,), (view,))
    assert "Does the record explain the scan?" not in Page(report_html(part)).text
    page = Page(report_html(part, names=("a.tif",) * 96, explained=found))
    assert "Does the record explain the scan?" in page.text
    assert "99.31 % of the metal" in page.text
    assert "0.40 % of the metal the record predicts does not show" in page.text
    assert "a crack or seam? <b>" in page.text
    for shown in ("1.25", "2.50", "0.30\N{EN DASH}0.48", "0.75 \N{MULTIPLICATION SIGN} 0.10 \N{MULTIPLICATION SIGN} 0.24"):
        assert shown in page.text
    assert len(page.images()) == len(Page(report_html(part)).images()) + 2
    clean = replace(found, lumps=(), metal_explained=1.0)
    assert "Nothing is left that stands out of the noise." in Page(report_html(part, explained=clean)).text
