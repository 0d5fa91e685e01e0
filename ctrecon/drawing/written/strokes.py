"""Pages as plain strokes, fillings and texts: the drawing library runs once, every format is played from these."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.paper.lettering import advance, glyph_path, text_width
from ctrecon.drawing.written.dxf import build_pages, page_bottom, steady_chance

__all__ = [
    "CUBIC", "CURVE", "LINE", "MOVE", "Drawn", "Outline", "Text", "drawn_pages", "joined", "lettered", "start_of",
]  # fmt: skip

MOVE, LINE, CURVE, CUBIC = 1, 2, 3, 4
"""What leads to a point: nothing drawn, a straight line, a curve with one control point or with two."""

_FROM_LIBRARY = np.array([0, LINE, CURVE, CUBIC, MOVE], dtype=np.uint8)
"""The drawing library's codes (line, one control point, two, move) as those above."""

_POINTS = {MOVE: 1, LINE: 1, CURVE: 2, CUBIC: 3}
_EMPTY_MM = 1e-9  # a line shorter than this is rounding
_LEVEL_MM = 1e-6  # a line off by less than this is straight across: rounding again

Text = tuple[str, float, float, float, float, str, str]
"""Text, x, y, height, rotation in degrees, across (left, center, right), upright (baseline, middle)."""


@dataclass(frozen=True, eq=False)
class Outline:
    """Points in mm, each with the code of what leads to it, as matplotlib counts: a curve has its code at every point.

    A stroke has a weight in mm; `square` ones run on by half of it at their ends.
    """

    points: NDArray[np.float64]
    codes: NDArray[np.uint8]
    weight: float = 0.0
    square: bool = False

    @property
    def level(self) -> bool:
        """Whether all of it runs straight across or straight up, so that it may be set on whole pixels."""
        if self.codes.max(initial=MOVE) > LINE:
            return False
        steps = np.abs(np.diff(self.points, axis=0)[self.codes[1:] == LINE])
        return bool((steps.min(axis=1, initial=1.0) < _LEVEL_MM).all())


@dataclass(frozen=True, eq=False)
class Drawn:
    """One page: (0, 0) is its lower left corner, y runs up, everything is black."""

    strokes: tuple[Outline, ...]
    fillings: tuple[Outline, ...]
    texts: tuple[Text, ...]


def drawn_pages(sheet: Sheet) -> tuple[Any, tuple[Drawn, ...]]:
    """Return the document of a sheet, and its pages as strokes."""
    doc, pages = build_pages(sheet)
    return doc, tuple(_drawn(doc, entities, page_bottom(sheet, k)) for k, entities in enumerate(pages))


def _drawn(doc: Any, entities: Sequence[Any], bottom: float) -> Drawn:
    from ezdxf.addons.drawing.config import BackgroundPolicy, ColorPolicy, Configuration, TextPolicy
    from ezdxf.addons.drawing.frontend import Frontend
    from ezdxf.addons.drawing.properties import RenderContext

    config = Configuration(
        background_policy=BackgroundPolicy.WHITE, color_policy=ColorPolicy.BLACK, text_policy=TextPolicy.IGNORE
    )
    recorder = _recorder()()
    context = RenderContext(doc)
    context.set_current_layout(doc.modelspace())
    frontend = Frontend(context, recorder, config=config)
    with steady_chance():
        frontend.set_background("#ffffff")
        frontend.draw_entities(entities)
    down = np.array([0.0, bottom])
    strokes, fillings = (
        tuple(Outline(one.points - down, one.codes, one.weight, one.square) for one in some)
        for some in (recorder.strokes, recorder.fillings)
    )
    return Drawn(strokes, fillings, tuple(_texts(entities, bottom)))


def _texts(entities: Iterable[Any], bottom: float) -> Iterator[Text]:
    for entity in entities:
        parts = entity.virtual_entities() if entity.dxftype() == "DIMENSION" else [entity]
        for one in parts:
            if one.dxftype() == "TEXT":
                kind, first, second = one.get_placement()
                at = first if kind.name == "LEFT" else second or first
                across = {"LEFT": "left", "CENTER": "center", "RIGHT": "right"}[kind.name]
                yield one.plain_text(), at.x, at.y - bottom, one.dxf.height, one.dxf.rotation, across, "baseline"
            elif one.dxftype() == "MTEXT":
                at, turn = one.dxf.insert, one.dxf.get("rotation", 0.0)
                yield one.plain_text(), at.x, at.y - bottom, one.dxf.char_height, turn, "center", "middle"


def _straight(points: Sequence[tuple[float, float]], weight: float, *, square: bool = False) -> Outline:
    codes = np.full(len(points), LINE, dtype=np.uint8)
    codes[0] = MOVE
    return Outline(np.array(points, dtype=float), codes, weight, square)


def _of_path(path: Any, weight: float) -> Outline:
    """Return a path of the drawing library, whose codes stand once for all points of a curve."""
    codes = _FROM_LIBRARY[path.command_codes()]
    spread = np.repeat(codes, [_POINTS[int(code)] for code in codes])
    return Outline(path.np_vertices().copy(), np.concatenate([[np.uint8(MOVE)], spread]), weight)


@cache
def _recorder() -> Any:
    """Return the class that keeps what the drawing library draws; made on first use: the library loads slowly."""
    from ezdxf.addons.drawing.backend import Backend
    from ezdxf.npshapes import orient_paths, single_paths

    class Recorder(Backend):
        def __init__(self) -> None:
            super().__init__()
            self.strokes: list[Outline] = []
            self.fillings: list[Outline] = []

        def draw_point(self, pos: Any, properties: Any) -> None:
            """Nothing: no dots are drawn, only lines whose length is rounding."""

        def draw_line(self, start: Any, end: Any, properties: Any) -> None:
            if start.distance(end) > _EMPTY_MM:
                ends = [(start.x, start.y), (end.x, end.y)]
                self.strokes.append(_straight(ends, properties.lineweight, square=True))

        def draw_solid_lines(self, lines: Any, properties: Any) -> None:
            ends = [(s.x, s.y, e.x, e.y) for s, e in lines if s.distance(e) > _EMPTY_MM]
            if ends:
                points = np.array(ends).reshape(-1, 2)
                codes = np.tile(np.array([MOVE, LINE], dtype=np.uint8), len(ends))
                self.strokes.append(Outline(points, codes, properties.lineweight))

        def draw_path(self, path: Any, properties: Any) -> None:
            if len(path):
                self.strokes.append(_of_path(path, properties.lineweight))

        def draw_filled_paths(self, paths: Any, properties: Any) -> None:
            # outer rims turn one way and holes the other, so that either rule of filling leaves the holes
            parts = [_of_path(one, 0.0) for one in orient_paths(single_paths(paths)) if len(one)]
            if parts:
                points = np.concatenate([one.points for one in parts])
                self.fillings.append(Outline(points, np.concatenate([one.codes for one in parts])))

        def draw_filled_polygon(self, points: Any, properties: Any) -> None:
            self.fillings.append(_straight(points.to_tuples(), 0.0))

        def draw_image(self, image_data: Any, properties: Any) -> None:
            raise AssertionError("no item of a sheet is an image")

        def set_background(self, color: str) -> None:
            """Nothing: paper is white."""

        def clear(self) -> None:
            self.strokes.clear()
            self.fillings.clear()

    return Recorder


def start_of(text: Text) -> tuple[float, float]:
    """Return where the base line of a text begins, mm."""
    words, x, y, height, turn, across, upright = text
    along = {"left": 0.0, "center": 0.5, "right": 1.0}[across] * text_width(words, height)
    below = height / 2 if upright == "middle" else 0.0  # centre the capitals, not the box with its tails
    a = math.radians(turn)
    return x - along * math.cos(a) + below * math.sin(a), y - along * math.sin(a) - below * math.cos(a)


def lettered(texts: Iterable[Text]) -> Iterator[Outline]:
    """Yield the texts as fillings, letter by letter."""
    for text in texts:
        words, height, turn = text[0], text[3], text[4]
        x, y = start_of(text)
        a = math.radians(turn)
        c, s = math.cos(a), math.sin(a)
        matrix = height * np.array([[c, s], [-s, c]])
        for letter in words:
            shape = _letter(letter)
            if len(shape.points):
                yield Outline(shape.points @ matrix + (x, y), shape.codes)
            step = height * advance(letter)
            x, y = x + step * c, y + step * s


@cache
def _letter(letter: str) -> Outline:
    path = glyph_path(letter)
    if not len(path):
        return Outline(np.empty((0, 2)), np.empty(0, dtype=np.uint8))
    return _of_path(path, 0.0)


def joined(outlines: Iterable[Outline]) -> Outline:
    """Return several outlines as one, of the weight of the first; nothing makes an empty one."""
    some = list(outlines)
    if not some:
        return Outline(np.empty((0, 2)), np.empty(0, dtype=np.uint8))
    points, codes = np.concatenate([one.points for one in some]), np.concatenate([one.codes for one in some])
    return Outline(points, codes, some[0].weight, some[0].square)
