"""What the tests of the plan share: the fare counter's plan, made once, and small typed assemblies."""

from collections.abc import Callable
from pathlib import Path

import pytest

from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.assembly.read import read_assembly
from ctrecon.workshop.plan.compose import make_plan
from ctrecon.workshop.plan.model import Plan

COUNTER = Path(__file__).parents[2] / "notebooks" / "fare_counter" / "assembly.toml"

_SMALL = """
name = "little stand"
stack = ["upper", "lower"]
axes.main = {}
axes.post = {}
[frame]
part = "upper"
origin = "main"
[parts.upper]
role = "plate"
material = "CuZn37"
outline = { size_mm = [40, 30] }
thickness_mm = "1.5±0.02"
rests_on = "pillar.shank"
holes = [{ axis = "main", diameter_mm = "3.0±0.01" }, { axis = "post", at_mm = [12, 8], diameter_mm = "2.0±0.01" }]
[parts.lower]
role = "plate"
outline = { size_mm = [40, 30] }
thickness_mm = "2.0±0.02"
holes = [{ axis = "main", diameter_mm = "3.0±0.01" }, { axis = "post", at_mm = [12, 8], diameter_mm = "2.0±0.01" }]
[parts.pillar]
role = "pillar"
material = "CuZn37"
axis = "post"
rests_on = "lower"
foot = "shank"
steps = [
  { name = "foot", length_mm = "1.9±0.02", diameter_mm = "1.98±0.01" },
  { name = "shank", length_mm = "3.0±0.02", diameter_mm = "4.0±0.01" },
  { name = "tenon", length_mm = "1.4±0.02", diameter_mm = "1.98±0.01" },
]
[parts.hub]
role = "hub"
axis = "main"
rests_on = "lower"
steps = [{ name = "drum", length_mm = "1.2±0.02", diameter_mm = "8.0±0.02" }]
[parts.spacer]
role = "spacer"
axis = "main"
rests_on = "hub"
outline = { diameter_mm = 7.0 }
thickness_mm = "1.6±0.02"
[gaps.shake]
name = "end shake"
between = ["upper.lower", "spacer.upper"]
least_mm = 0.1
most_mm = 0.3
"""


@pytest.fixture(scope="session")
def counter() -> Assembly:
    """Return the fare counter as read."""
    return read_assembly(COUNTER)


@pytest.fixture(scope="session")
def counter_plan(counter: Assembly) -> Plan:
    """Return its plan."""
    return make_plan(counter)


@pytest.fixture(scope="session")
def counter_text() -> str:
    """Return its file as text, with the records where they lie, so that a changed copy can stand anywhere."""
    return COUNTER.read_text(encoding="utf-8").replace('"records/', f'"{COUNTER.parent.as_posix()}/records/')


@pytest.fixture(scope="session")
def small_text() -> str:
    """Return an assembly of two plates, a pillar, a hub and a spacer, all typed."""
    return _SMALL


@pytest.fixture
def planned(tmp_path: Path) -> Callable[[str], Plan]:
    """Return a function that writes an assembly file, reads it and plans it."""

    def plan(text: str) -> Plan:
        file = tmp_path / "assembly.toml"
        file.write_text(text, encoding="utf-8")
        return make_plan(read_assembly(file))

    return plan
