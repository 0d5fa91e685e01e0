"""`report.html`: pictures, numbers and reasons in one file, complete in itself."""

from ctrecon.report.page import HasPartAndPictures, NamedSlices, report_html, write_report

__all__ = ["HasPartAndPictures", "NamedSlices", "report_html", "write_report"]
