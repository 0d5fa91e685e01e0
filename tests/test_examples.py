"""The examples in the docstrings run as they stand, and every public name has one."""

import doctest
import inspect
import re
import shutil
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import ctrecon
from ctrecon.record.store import write_part

PACKAGE = Path(ctrecon.__file__).parent
ROOT = PACKAGE.parent
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)
NEEDS = {"ctrecon.solid.write.write_solid": ("OCP", "solid")}
"""Examples that need a package of an extra: the package, and the extra's name."""

PUBLIC = [name for name in ctrecon.__all__ if name != "__version__"]


@pytest.fixture
def _as_after_the_first_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wheel_records: ModuleType) -> None:
    """Work where the README's first command left its output, with the sample slices and a wheel's record beside it."""
    (tmp_path / "drum_hub_out").mkdir()
    shutil.copy(ROOT / "tests" / "plots" / "hub.json", tmp_path / "drum_hub_out" / "part.json")
    (tmp_path / "wheel_out").mkdir()
    wheel = wheel_records.wheel("F1", 24, 0.5, (10.0, 10.0), (1.0, 3.0))
    write_part(wheel_records.record("wheel", [wheel]), tmp_path / "wheel_out" / "part.json")
    if (ROOT / "sample_slices").is_dir():
        (tmp_path / "sample_slices").symlink_to(ROOT / "sample_slices")
    monkeypatch.chdir(tmp_path)


@pytest.mark.usefixtures("_as_after_the_first_command")
@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_examples_run_as_written(module: str) -> None:
    """Every example of the module prints what its docstring says."""
    finder, report = doctest.DocTestFinder(exclude_empty=True), []
    runner = doctest.DocTestRunner(verbose=False)
    ran = 0
    for example in finder.find(import_module(module), module):
        package, extra = NEEDS.get(example.name, ("", ""))
        if not example.examples or (package and find_spec(package) is None):
            continue
        runner.run(example, out=report.append)
        ran += 1
    assert not report, "".join(report)
    if not ran:
        pytest.skip(f"the extra named {extra} is not installed")


def _sections(value: Any) -> dict[str, str]:
    """Return the text under each underlined heading of a docstring."""
    text = inspect.getdoc(value) or ""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}\n", text, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def _explained(section: str) -> set[str]:
    """Return the names before the colons of a section's entries; several may share one."""
    heads = re.findall(r"^\**(\w[\w, ]*) :", section, flags=re.MULTILINE)
    return {name.strip() for head in heads for name in head.split(",")}


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_is_explained_with_an_example(name: str) -> None:
    """Its docstring explains each parameter, what comes back, and shows an example that is run."""
    value = getattr(ctrecon, name)
    sections = _sections(value)
    assert ">>> " in sections["Examples"]
    assert value.__module__ in WITH_EXAMPLES
    if isinstance(value, type) and issubclass(value, Exception):
        return
    wanted = {one for one in inspect.signature(value).parameters if one != "self"}
    assert wanted - _explained(sections.get("Parameters", "") + sections.get("Attributes", "")) == set()
    if not isinstance(value, type):
        gives = inspect.signature(value).return_annotation
        assert ("Returns" in sections) == (gives not in (None, "None"))


@pytest.mark.parametrize("name", ["SliceStack.from_array", "SliceStack.plane"])
def test_methods_a_user_calls_are_explained(name: str) -> None:
    """The methods that examples use explain their parameters and what they return."""
    owner, method = name.split(".")
    value = getattr(getattr(ctrecon, owner), method)
    sections = _sections(value)
    wanted = {one for one in inspect.signature(value).parameters if one != "self"}
    assert wanted - _explained(sections["Parameters"]) == set()
    assert "Returns" in sections
