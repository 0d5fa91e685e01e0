"""The workshop plan on paper: steps to tick off, pictures of set-ups, working sheets, lists."""

from ctrecon.drawing.plan.pages import plan_sheet, write_plan
from ctrecon.drawing.plan.pictures import plan_pictures, stack_png

__all__ = ["plan_pictures", "plan_sheet", "stack_png", "write_plan"]
