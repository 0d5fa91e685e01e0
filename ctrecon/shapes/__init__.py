"""Exact plane geometry: shapes with a signed distance, positive inside."""

from ctrecon.shapes.base import ArcShape, FittedShape, Shape, Vertex, inwards
from ctrecon.shapes.circle import Circle
from ctrecon.shapes.d_shape import DShape
from ctrecon.shapes.ellipse import Ellipse
from ctrecon.shapes.polygon import RegularPolygon
from ctrecon.shapes.rectangle import Rectangle
from ctrecon.shapes.wheel import ToothedWheel

__all__ = [
    "ArcShape", "Circle", "DShape", "Ellipse", "FittedShape", "Rectangle", "RegularPolygon", "Shape", "ToothedWheel",
    "Vertex", "inwards",
]  # fmt: skip
