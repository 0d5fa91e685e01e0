"""Named quality flags: results that are usable but not at their best carry them.

A flag is a short word in the record; what it means stands here, once.
"""

__all__ = ["FLAGS", "explain"]

FLAGS: dict[str, str] = {
    # about the stack
    "handedness_assumed": "the files do not say whether the slices run away from the viewer; "
    "if they run the other way the part is mirrored",
    "handedness_differs": "the slices were turned round as stated although the positions in the files already put "
    "them in order away from the viewer; the part is mirrored unless the files are wrong",
    "scale_differs": "files, options and known sizes disagree about the voxel size",
    "known_inconsistent": "a size known from the part does not agree with the others or with the scan",
    "known_u_assumed": "a size known from the part came without an uncertainty, so the usual one was taken",
    "scale_unusable": "the files state a voxel size that cannot be used",
    "slices_missing": "some slices are missing from the numbered series",
    "foreign_files": "some files in the folder are not slices and were ignored",
    "colour_as_grey": "the files are stored in colour but hold grey only",
    "alpha_ignored": "the files carry a transparency channel, which was ignored",
    "lossy_files": "the slices are stored with lossy compression",
    "metal_dark": "metal is darker than its surroundings; grey values were inverted",
    "no_data_outside": "voxels outside the scanner's field carry no data",
    "part_of_stack": "only a part of the stack was measured; slice numbers and places count from there",
    "quick_pass": "a quick pass over thinned slices, to see what there is: measure again without it before cutting",
    "single_slice": "a single slice has no depth",
    "several_bodies": "the stack holds more than one body; the largest was measured",
    "low_contrast": "metal and air differ by less than five times the noise",
    "nothing_to_measure": "nothing that could be measured was found",
    "few_slices": "too few slices to find the tilt of the part",
    "unexplained": "the scan shows something that the record does not explain",
    "rings": "the slices show concentric rings from the scanner; they were removed as far as even metal shows them",
    "grey_drifts": "the grey of the metal or the air changes from slice to slice",
    "cupping": "the metal gets darker towards its centre",
    "streaks": "the air beside the metal is brighter in some directions than in others",
    "clipped": "grey is cut off at the end of its range, so edges there look moved",
    "slices_shifted": "some slices are shifted sideways against their neighbours",
    "corrosion_product": "a third material, likely corrosion product, clings to the metal; "
    "both of its boundaries can be measured (--boundary metal, --boundary outer)",
    "decided": "a person changed what was found",
    "decision_unmatched": "a decision kept with the record matches nothing in it",
    # about a feature
    "runs_out_of_stack": "the feature reaches the first or last slice, so its end there is unknown",
    "touches_border": "the feature touches the border of the slices or of the scanner's field",
    "rim_damaged": "part of the outline is corroded or broken away and was left out of the fit",
    "corner_missing": "a corner is missing; the size is that of the whole shape",
    "undecided": "the grey values allow more than one shape; the others are listed with it",
    "very_small": "so small against the blur that the size may be biased",
    "crowded": "other material is close to the edge, so the size is less certain",
    "spoilt_stretch": "noise or damage spoils it over part of its depth; it was measured on the rest",
    "short": "few slices show it",
    "not_along_depth": "it does not run along the part axis",
    "toothed_rim": "the rim is toothed",
    "crown_teeth": "its teeth stand along the axis: a crown wheel",
    "spoked": "windows lie between rim and hub",
    "tapered": "its size changes evenly through depth",
    "bent_outline": "the outline departs from the shape by more than the noise explains",
    "bent": "its end face departs from a plane by more than the uncertainty explains",
    "end_by_slice": "its end could not be fitted as a plane and is known to about a slice only",
    "edge_broken": "edge chamfered or rounded; the depth is that of the flat face",
    "kind_stated": "a person changed its kind",
    "by_points": "a person set it by points on a slice; the grey values were not fitted",
    "axis_assumed": "too short to show a direction of its own; taken parallel to the part axis",
    # about a piece
    "seam_bright": "the seam is brighter than the metal: filled with something heavier",
    "other_material": "the grey inside differs from the metal around it by more than noise and shading explain: "
    "another material; its line is a step of grey, not a gap",
    "size_of_set": "too faint alone to be sure of its size: the size is what the rivets of its set have in common",
    "seam_or_dark_slice": "may be a dark slice: nothing else in these slices rules it out",
}


def explain(flag: str) -> str:
    """Return the sentence for a flag, or the flag itself where it is not known here."""
    return FLAGS.get(flag, flag.replace("_", " "))
