"""True scale from sizes known of the real part."""

from ctrecon.calibration.known import Known, parse_known, parse_knowns
from ctrecon.calibration.true_scale import EDGE_U_PX, Calibration, calibrate, find_scale

__all__ = ["EDGE_U_PX", "Calibration", "Known", "calibrate", "find_scale", "parse_known", "parse_knowns"]
