"""Predicts every slice from the finished record and tells what the record leaves unexplained."""

from ctrecon.explain.predict import Psf, predict_slice
from ctrecon.explain.residual_regions import Lump
from ctrecon.explain.scan import Explained, ExplainedSlice, explain_scan, with_warning

__all__ = ["Explained", "ExplainedSlice", "Lump", "Psf", "explain_scan", "predict_slice", "with_warning"]
