"""Where the uncertainty of a quantity comes from: the names of its origins."""

__all__ = ["ORIGINS"]

ORIGINS: dict[str, str] = {
    "noise": "noise of the single voxels",
    "edge_level": "grey levels of air and metal beside the edge, and how they shade",
    "blur": "the blur of the scan, which is fitted too",
    "correlation": "noise that neighbouring voxels share",
    "artefacts": "errors that whole stretches of the edge share, such as rings and stains",
    "model": "what the model of the edge leaves out",
    "carried": "carried to the middle of the feature's depth",
    "edge_offset": "what the known sizes leave open of where the edge of the whole scan lies",
    "known_sizes": "the sizes known from the part itself, and scan and edge as they hang on them",
}
"""What each origin means, in a maker's words."""
