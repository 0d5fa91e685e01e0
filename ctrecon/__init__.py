"""From CT slices of a part to a dimensioned sheet a machinist can cut metal by.

The public names are looked up on first use, so that importing the package loads nothing
heavy and ``ctrecon --version`` answers at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.2.0"

__all__ = [
    "CtreconError",
    "Decision",
    "Edge",
    "Feature",
    "MainSize",
    "Measured",
    "Measurement",
    "Part",
    "Piece",
    "Settings",
    "SliceStack",
    "__version__",
    "apply_decisions",
    "calibrate",
    "draw_sheet",
    "explain_scan",
    "follow_features",
    "make_plan",
    "measure",
    "measure_stack",
    "measure_to_folder",
    "open_stack",
    "plan_wheels",
    "read_assembly",
    "read_decisions",
    "read_part",
    "write_decisions",
    "write_features_csv",
    "write_outlines",
    "write_part",
    "write_plan",
    "write_report",
    "write_solid",
    "write_template",
    "write_wheels",
]

_HOMES = {
    "CtreconError": "ctrecon.core.errors",
    "Decision": "ctrecon.decisions",
    "Edge": "ctrecon.features.follow",
    "Feature": "ctrecon.record.part",
    "MainSize": "ctrecon.record.main_size",
    "Measured": "ctrecon.core.measured",
    "Measurement": "ctrecon.record.measurement",
    "Part": "ctrecon.record.part",
    "Piece": "ctrecon.record.part",
    "Settings": "ctrecon.settings",
    "SliceStack": "ctrecon.slices",
    "apply_decisions": "ctrecon.decisions",
    "calibrate": "ctrecon.calibration",
    "draw_sheet": "ctrecon.drawing",
    "explain_scan": "ctrecon.explain",
    "follow_features": "ctrecon.features.follow",
    "make_plan": "ctrecon.workshop.plan.compose",
    "measure": "ctrecon.pipeline",
    "measure_stack": "ctrecon.measuring",
    "measure_to_folder": "ctrecon.pipeline",
    "open_stack": "ctrecon.slices",
    "plan_wheels": "ctrecon.workshop.wheels.plan",
    "read_assembly": "ctrecon.workshop.assembly.read",
    "read_decisions": "ctrecon.decisions",
    "read_part": "ctrecon.record.store",
    "write_decisions": "ctrecon.decisions",
    "write_features_csv": "ctrecon.record.store",
    "write_outlines": "ctrecon.drawing",
    "write_part": "ctrecon.record.store",
    "write_plan": "ctrecon.drawing.plan",
    "write_report": "ctrecon.report",
    "write_solid": "ctrecon.solid",
    "write_template": "ctrecon.drawing",
    "write_wheels": "ctrecon.report.wheels",
}
"""Where each public name lives."""

if TYPE_CHECKING:
    from ctrecon.calibration import calibrate
    from ctrecon.core.errors import CtreconError
    from ctrecon.core.measured import Measured
    from ctrecon.decisions import Decision, apply_decisions, read_decisions, write_decisions
    from ctrecon.drawing import draw_sheet, write_outlines, write_template
    from ctrecon.drawing.plan import write_plan
    from ctrecon.explain import explain_scan
    from ctrecon.features.follow import Edge, follow_features
    from ctrecon.measuring import measure_stack
    from ctrecon.pipeline import measure, measure_to_folder
    from ctrecon.record.main_size import MainSize
    from ctrecon.record.measurement import Measurement
    from ctrecon.record.part import Feature, Part, Piece
    from ctrecon.record.store import read_part, write_features_csv, write_part
    from ctrecon.report import write_report
    from ctrecon.report.wheels import write_wheels
    from ctrecon.settings import Settings
    from ctrecon.slices import SliceStack, open_stack
    from ctrecon.solid import write_solid
    from ctrecon.workshop.assembly.read import read_assembly
    from ctrecon.workshop.plan.compose import make_plan
    from ctrecon.workshop.wheels.plan import plan_wheels


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'ctrecon' has no attribute '{name}'")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value  # the next look-up finds it without coming here
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
