"""Predicts every slice from the finished record and tells what the record leaves unexplained."""

from ctrecon.explain.scan import explain_scan, with_warning

__all__ = ["explain_scan", "with_warning"]
