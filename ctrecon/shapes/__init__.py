"""Exact plane geometry: shapes with a signed distance, positive inside."""

from ctrecon.shapes.base import Shape
from ctrecon.shapes.circle import Circle
from ctrecon.shapes.ellipse import Ellipse
from ctrecon.shapes.polygon import RegularPolygon
from ctrecon.shapes.rectangle import Rectangle

__all__ = ["Circle", "Ellipse", "Rectangle", "RegularPolygon", "Shape"]
