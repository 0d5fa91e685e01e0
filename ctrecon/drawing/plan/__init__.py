"""The workshop plan on paper: steps to tick off, pictures of set-ups, working sheets, lists."""

from ctrecon.drawing.plan.pages import plan_sheet, write_plan

__all__ = ["plan_sheet", "write_plan"]
