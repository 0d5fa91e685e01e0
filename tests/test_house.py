"""The house itself: public names, start-up budgets, layout and notebooks."""

import ast
import json
import re
import resource
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

import ctrecon
from ctrecon import shapes
from ctrecon.record.kinds import KINDS

ROOT = Path(ctrecon.__file__).parents[1]
PACKAGE = ROOT / "ctrecon"
MODULES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("test_*.py"))
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
HEAVY = ("numpy", "scipy", "matplotlib", "skimage", "pydantic", "ezdxf", "ipywidgets", "tqdm", "shapely", "PIL")


@cache
def _tree(path: Path) -> ast.Module:
    """Return a module as parsed: several tests look at each."""
    return ast.parse(path.read_text(encoding="utf-8"))


def _python(code: str, *options: str) -> str:
    run = subprocess.run(
        [sys.executable, *options, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=120, check=True
    )
    return run.stdout


def test_public_names() -> None:
    """The public names are these; adding or losing one is a decision, not an accident."""
    assert ctrecon.__all__ == [
        "CtreconError", "Decision", "Edge", "Feature", "MainSize", "Measured", "Measurement", "Part", "Piece", "Settings",
        "SliceStack", "__version__", "apply_decisions", "calibrate", "draw_sheet", "explain_scan", "follow_features",
        "make_plan", "measure", "measure_stack", "measure_to_folder", "open_stack", "plan_wheels", "read_assembly",
        "read_decisions", "read_part", "write_decisions", "write_features_csv", "write_outlines", "write_part", "write_plan", "write_report",
        "write_solid", "write_template", "write_wheels",
    ]  # fmt: skip


@pytest.mark.parametrize("name", ctrecon.__all__)
def test_public_name_resolves_and_is_explained(name: str) -> None:
    """Every public name can be had, is listed, and carries a docstring."""
    value = getattr(ctrecon, name)
    assert name in dir(ctrecon)
    if name != "__version__":
        assert value.__doc__
        assert value.__name__ == name


def test_unknown_name_is_an_attribute_error() -> None:
    """A name that is not there is refused the usual way, so that hasattr works."""
    with pytest.raises(AttributeError, match="no attribute 'teapot'"):
        ctrecon.teapot  # noqa: B018


def test_import_loads_nothing_heavy() -> None:
    """Importing the package loads the standard library only, and not much of it."""
    code = "import sys; before = set(sys.modules); import ctrecon; print(*(set(sys.modules) - before))"
    loaded = _python(code).split()
    assert [name for name in loaded if name.partition(".")[0] in HEAVY] == []
    assert [name for name in loaded if name.startswith("ctrecon.")] == []


def test_measuring_loads_nothing_that_draws() -> None:
    """A large stack has the memory to itself: plots and statistics it does not use took 57 MB beside it."""
    loaded = _python("import sys, ctrecon.pipeline; print(*sys.modules)").split()
    assert "ctrecon.measuring" in loaded
    assert not {"matplotlib", "jinja2", "scipy.stats"} & set(loaded)


def test_version_loads_the_standard_library_only() -> None:
    """`--version` names the version and loads no package from outside the standard library."""
    code = (
        "import sys; before = set(sys.modules)\n"
        "from ctrecon.cli.main import main\n"
        "try: main(['--version'])\n"
        "except SystemExit: pass\n"
        "print(*sorted({n.partition('.')[0] for n in set(sys.modules) - before} - set(sys.stdlib_module_names)))"
    )
    version, others = _python(code).splitlines()
    assert version == f"ctrecon {ctrecon.__version__}"
    assert others == "ctrecon"


def test_version_answers_at_once() -> None:
    """The best of five starts takes the processor 0.2 s at most over a bare interpreter: others at work add little to it."""

    def best(*command: str) -> float:
        times = []
        for _ in range(5):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, *command], cwd=ROOT, capture_output=True, timeout=60, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        return min(times)

    assert best("-m", "ctrecon", "--version") - best("-c", "pass") < 0.2


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_module_is_small_and_explained(path: Path) -> None:
    """No module is over 500 lines, and each says in its first line what it is for."""
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 500
    assert ast.get_docstring(_tree(path))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_long_functions_give_a_reason(path: Path) -> None:
    """A function over 80 lines or 8 parameters says why right above it (# long: or # many:); none is over 120 lines."""
    lines = path.read_text(encoding="utf-8").splitlines()
    for node in ast.walk(_tree(path)):
        if not isinstance(node, ast.FunctionDef):
            continue
        first = min([node.lineno, *(one.lineno for one in node.decorator_list)])
        above = lines[first - 2].strip()
        long = (node.end_lineno or 0) - first + 1
        given = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
        many = sum(one.arg not in ("self", "cls") for one in given)
        assert long <= 120, node.name
        assert long <= 80 or above.startswith("# long: "), node.name
        assert many <= 8 or above.startswith("# many: "), node.name


@pytest.mark.parametrize("path", TESTS, ids=lambda path: path.relative_to(ROOT / "tests").as_posix())
def test_every_test_says_what_it_shows(path: Path) -> None:
    """Each test carries a sentence, so that the suite reads as a description."""
    silent = [
        node.name
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert silent == []


def test_tests_mirror_the_package() -> None:
    """Every folder of tests is a floor of the house or one of the agreed extra folders."""
    floors = {path.name for path in PACKAGE.iterdir() if path.is_dir()}
    extra = {"reference", "accuracy", "bench", "browser", "hostile", "real", "worn"}
    folders = {path.name for path in (ROOT / "tests").iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert folders - floors - extra == set()


def test_the_top_of_the_checkout_stays_tidy() -> None:
    """Nothing lies at the top but what is agreed."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode or not listed.stdout:
        pytest.skip("no git checkout, so what is part of the project cannot be told")
    tops = {name.partition("/")[0] for name in listed.stdout.splitlines()}
    assert tops <= {
        ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "ctrecon", "notebooks", "pyproject.toml",
        "sample_slices", "tests",
    }  # fmt: skip


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebooks_carry_no_outputs(path: Path) -> None:
    """A notebook is kept without outputs and counts, short, with a parameters cell and an assertion at its end."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
    assert any("parameters" in cell["metadata"].get("tags", []) for cell in code)
    assert sum(len(cell["source"]) for cell in code) <= 60
    assert any(line.startswith("assert ") for line in code[-1]["source"])


def test_notebooks_are_there() -> None:
    """The glob above finds something, so that its test cannot pass on nothing."""
    assert [path.name for path in NOTEBOOKS][:1] == ["01_from_scans_to_sketch.ipynb"]


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_in_the_papers_lead_somewhere(name: str) -> None:
    """Every relative link of README and DEVELOPERS names a file of the checkout."""
    text = (ROOT / name).read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text)
    assert [target for target in targets if not (ROOT / target).exists()] == []


KIND_WORDS = {part for name in KINDS for part in (name, name.partition("_")[0], f"_{name.rpartition('_')[2]}")}
KIND_WORDS |= {"relief", "worn", "_outside", "_hole", "_seam", "rect"}
"""Names of kinds and what they begin and end with: other things have a `kind` too (relations, evidence, sample types)."""

OTHER_THINGS = {"_DISTANCES", "_LOSSLESS", "_LS", "_TURNS", "PATTERNS", "RELATION_KINDS"}
"""Tables and types whose `kind` is no feature's: how a JPEG is packed, patterns of holes, relations between features."""

MOST_KIND_TESTS = 31
"""So many times the package may ask a feature or a candidate for its kind's name, or a shape for its class, outside
`record/kinds.py` and the choice of a shape: each may be a place a new kind would have to be added to. It only falls."""

CHOICE = ("fitting", "features/shape_candidates.py", "features/shape_selection.py")
"""Where a shape is chosen and fitted: one shape is told from another there, so these are counted apart."""


def _is_kind(node: ast.expr) -> bool:
    return (isinstance(node, ast.Attribute) and node.attr == "kind") or (isinstance(node, ast.Name) and node.id == "kind")


def _asks_kind(node: ast.AST) -> bool:
    """Tell whether the expression compares a kind with names of kinds, or with what isn't written out."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        return node.func.attr in ("startswith", "endswith") and _is_kind(node.func.value)
    if not isinstance(node, ast.Compare) or not any(_is_kind(one) for one in (node.left, *node.comparators)):
        return False
    if not any(isinstance(one, ast.Eq | ast.NotEq | ast.In | ast.NotIn) for one in node.ops):
        return False
    if {one.id for one in ast.walk(node) if isinstance(one, ast.Name)} & OTHER_THINGS:
        return False
    texts = {one.value for one in ast.walk(node) if isinstance(one, ast.Constant) and isinstance(one.value, str)}
    return not texts or bool(texts & KIND_WORDS)


def _asks_shape(node: ast.AST) -> bool:
    """Tell whether the expression asks an object whether it is of a class of `ctrecon.shapes`."""
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "isinstance"):
        return False
    return bool({one.id for one in ast.walk(node.args[1]) if isinstance(one, ast.Name)} & set(shapes.__all__))


def test_a_kind_knows_itself() -> None:
    """Hardly anything but the kinds themselves and the choice of a shape asks what something is by name or class."""
    counts: dict[str, list[int]] = {}
    for path in MODULES:
        where = path.relative_to(PACKAGE).as_posix()
        room = where if where in ("record/kinds.py", *CHOICE) else where.partition("/")[0]
        nodes = list(ast.walk(_tree(path)))
        found = [sum(map(_asks_kind, nodes)), sum(map(_asks_shape, nodes))]
        counts[room] = [a + b for a, b in zip(counts.get(room, [0, 0]), found, strict=True)]
    for room, (kinds, classes) in sorted(counts.items()):
        if kinds or classes:
            print(f"{room}: {kinds} tests of a kind, {classes} of a shape's class")
    total = sum(sum(found) for room, found in counts.items() if room not in ("record/kinds.py", *CHOICE))
    print(f"outside record/kinds.py and the choice of a shape: {total}, at most {MOST_KIND_TESTS}")
    assert total <= MOST_KIND_TESTS


def test_every_package_it_builds_on_stands_with_its_licence() -> None:
    """Dependencies and extras of pyproject.toml are in the table of DEVELOPERS.md, each row with a licence, none copyleft."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *(one for some in project["optional-dependencies"].values() for one in some)]
    names = {re.split(r"[<>=\[; ]", one)[0].lower() for one in asked}
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## What it builds on")[2]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if line.startswith("| ")][1:]
    listed = {name.strip().lower(): licence for cells, licence, _ in rows for name in cells.split(",")}
    assert names - set(listed) == set()
    assert set(listed) - names == set()
    assert all(re.search("BSD|MIT|Apache|PSF|MPL", licence) for licence in listed.values())
