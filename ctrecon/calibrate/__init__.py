"""True scale from sizes known from the part itself: a pure function of the record."""

from ctrecon.calibrate.known import Known, parse_known
from ctrecon.calibrate.true_scale import EDGE_U_PX, Calibration, calibrate

__all__ = ["EDGE_U_PX", "Calibration", "Known", "calibrate", "parse_known"]
