"""Dimension figures set by their true widths: the library counts characters, all as wide as they are tall."""

from typing import Any

from ctrecon.drawing.paper.lettering import text_width

__all__ = ["true_width_renderer"]


def true_width_renderer() -> Any:
    """Return a renderer of dimensions that measures texts with the one font."""
    from ezdxf.render.dim_curved import Angular3PDimension
    from ezdxf.render.dim_diameter import DiameterDimension
    from ezdxf.render.dim_linear import LinearDimension
    from ezdxf.render.dim_ordinate import OrdinateDimension
    from ezdxf.render.dim_radius import RadiusDimension
    from ezdxf.render.dimension import DimensionRenderer

    def measured(base: Any) -> Any:
        def total_text_width(self: Any) -> float:
            text = self.measurement.text
            return text_width(text, self.measurement.text_height) if text else 0.0

        return type(base.__name__, (base,), {"total_text_width": total_text_width})

    kinds = {
        "linear": measured(LinearDimension),
        "diameter": measured(DiameterDimension),
        "radius": measured(RadiusDimension),
        "angular3p": measured(Angular3PDimension),
        "ordinate": measured(OrdinateDimension),
    }

    def method(kind: Any) -> Any:
        def draw(_self: Any, dimension: Any, ucs: Any = None, override: Any = None) -> Any:
            return kind(dimension, ucs, override)

        return draw

    return type("TrueWidths", (DimensionRenderer,), {name: method(kind) for name, kind in kinds.items()})()
