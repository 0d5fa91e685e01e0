"""Pages of the plan as pictures: as many as asked for, of the size of the paper, with something on them."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from ctrecon.core.errors import InputError
from ctrecon.drawing.plan import plan_pictures, plan_sheet, stack_png
from ctrecon.workshop.assembly.read import read_assembly
from ctrecon.workshop.plan.compose import make_plan
from ctrecon.workshop.plan.model import Plan

TWO_PLATES = Path(__file__).parents[1] / "widgets" / "two_plates.toml"


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Return the plan of two plates."""
    return make_plan(read_assembly(TWO_PLATES))


def test_the_first_pages_are_pictures_of_the_paper(plan: Plan) -> None:
    """Two pages of A4 upright at one scale, each with ink on it; no more than the plan has."""
    first, second = (Image.open(io.BytesIO(one)) for one in plan_pictures(plan, pages=2))
    assert first.size == second.size
    assert first.height / first.width == pytest.approx(297 / 210, rel=0.01)
    assert np.asarray(first).min() < 50
    assert np.asarray(first).tobytes() != np.asarray(second).tobytes()
    assert len(plan_pictures(plan, pages=999)) == len(plan_sheet(plan).pages)
    with pytest.raises(InputError, match="paper 'B5' is not known"):
        plan_pictures(plan, paper="B5")


def test_the_stack_is_trimmed_to_its_ink(plan: Plan) -> None:
    """The picture of the stack is cut off right of its names: as much white there as on its left."""
    dark = np.asarray(Image.open(io.BytesIO(stack_png(plan.assembly))).convert("L")) < 200
    columns = np.nonzero(dark.any(axis=0))[0]
    assert len(columns) > 100
    assert abs((dark.shape[1] - 1 - columns[-1]) - columns[0]) <= 2
