"""A second reader of DXF files: GDAL's, a general-purpose library, through pyogrio. Arcs come as short chords."""

from pathlib import Path
from typing import Any

import pyogrio
import shapely


def read(path: Path, chord_deg: float = 1.0) -> dict[str, list[Any]]:
    """Return the geometries of a DXF file by layer; arcs are cut into chords of at most `chord_deg`."""
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": str(chord_deg)})
    meta, _, shapes, fields = pyogrio.raw.read(path)
    layers = fields[list(meta["fields"]).index("Layer")]
    found: dict[str, list[Any]] = {}
    for layer, shape in zip(layers, shapes, strict=True):
        found.setdefault(str(layer), []).append(shapely.from_wkb(shape))
    return found
