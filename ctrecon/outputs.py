"""Every file that is made from a measured part: its name, its writer, and what it needs.

An output is one writer on the floor it belongs to and one line in `OUTPUTS`. What draws is loaded when it is called:
it is large, and measuring has the memory to itself.
"""

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from ctrecon.core.second_process import beside
from ctrecon.record.explained import Explained
from ctrecon.record.measurement import Measurement
from ctrecon.record.part import Part
from ctrecon.record.seam_store import SEAMS_FILE, write_seams
from ctrecon.record.store import write_features_csv, write_part
from ctrecon.settings import Settings
from ctrecon.slices import SliceStack
from ctrecon.solid.kernel import need_kernel
from ctrecon.solid.write import write_solids

__all__ = [
    "FEATURES", "OUTPUTS", "RECORD", "SLICES", "SOLID", "Made", "Output", "make_ready", "names_of", "write_wanted",
]  # fmt: skip

RECORD, FEATURES, SLICES, SOLID = "record", "features", "slices", "solid"
"""What an output needs: a record alone, features in it, the slices too, or the kernel of an extra."""


@dataclass(frozen=True, kw_only=True)
class Made:
    """What outputs are made from.

    Parameters
    ----------
    part : Part
        The record.
    settings : Settings
        How sheets are drawn.
    measurement, stack : Measurement, SliceStack, or None
        Pictures of the slices and the slices themselves, where they are at hand.
    explained : Explained or None
        How far the record explains the scan.
    """

    part: Part
    settings: Settings
    measurement: Measurement | None = None
    stack: SliceStack | None = None
    explained: Explained | None = None


@dataclass(frozen=True, kw_only=True)
class Output:
    """Files that one writer makes together.

    Parameters
    ----------
    names : tuple of str
        The files.
    needs : str
        `RECORD`, `FEATURES`, `SLICES` or `SOLID`.
    write : callable
        Writes them all into a folder; what there is to say of them comes back in sentences.
    ready : callable or None
        Tells at once, before the slow work, when it cannot be made.
    apart : bool
        It takes about as long as all others and has nothing to say: made in a second process where that is safe.
    """

    names: tuple[str, ...]
    needs: str
    write: Callable[[Made, Path], Sequence[str] | None]
    ready: Callable[[], None] | None = None
    apart: bool = False


def _sheet(made: Made, folder: Path) -> None:
    from ctrecon.drawing import draw_sheet

    how = made.settings
    draw_sheet(
        made.part, folder, paper=how.paper, projection=how.projection, units=how.units, digits=how.digits
    )  # fmt: skip


def _outlines(made: Made, folder: Path) -> None:
    from ctrecon.drawing import write_outlines

    write_outlines(made.part, folder / "outlines.dxf", edges=made.settings.edges)


def _template(made: Made, folder: Path) -> None:
    from ctrecon.drawing import write_template

    how = made.settings
    write_template(made.part, folder / "template.pdf", paper=how.paper, units=how.units, edges=how.edges)


def _seams(made: Made, folder: Path) -> None:
    assert made.measurement is not None
    write_seams(made.measurement.seam_pictures, folder / SEAMS_FILE)


def _report(made: Made, folder: Path) -> None:
    from ctrecon.report import write_report

    assert made.measurement is not None
    assert made.stack is not None
    write_report(made.measurement, made.stack, folder / "report.html", explained=made.explained)


_SOLIDS = ("solid.step", "solid.stl")

OUTPUTS: tuple[Output, ...] = (
    Output(names=("part.json",), needs=RECORD, write=lambda made, folder: write_part(made.part, folder / "part.json")),
    Output(
        names=("features.csv",), needs=RECORD,
        write=lambda made, folder: write_features_csv(made.part, folder / "features.csv"),
    ),
    Output(names=("sheet.pdf", "sheet.svg", "sheet.png", "sheet.dxf"), needs=FEATURES, write=_sheet),
    Output(names=("outlines.dxf",), needs=FEATURES, write=_outlines),
    Output(names=("template.pdf",), needs=FEATURES, write=_template),
    Output(names=(SEAMS_FILE,), needs=SLICES, write=_seams),
    Output(names=("report.html",), needs=SLICES, write=_report, apart=True),
    Output(
        names=_SOLIDS, needs=SOLID, ready=need_kernel,
        write=lambda made, folder: write_solids(
            made.part, tuple(folder / name for name in _SOLIDS), edges=made.settings.edges
        ),
    ),
)  # fmt: skip
"""All of them, in the order they are listed."""


def names_of(*needs: str) -> tuple[str, ...]:
    """Return the names of the files that need one of these; unsaid, those that `measure` writes.

    Examples
    --------
    >>> names_of(RECORD)
    ('part.json', 'features.csv')
    """
    wanted = needs or (RECORD, FEATURES, SLICES)
    return tuple(name for one in OUTPUTS if one.needs in wanted for name in one.names)


def make_ready(*needs: str) -> None:
    """Say at once where outputs that need one of these cannot be made.

    Raises
    ------
    CtreconError
        If a package of an extra is missing.
    """
    for one in OUTPUTS:
        if one.needs in needs and one.ready is not None:
            one.ready()


def write_wanted(made: Made, folder: Path, *needs: str) -> tuple[str, ...]:
    """Write the outputs that need one of these into a folder.

    Returns
    -------
    tuple of str
        What their writers have to say.
    """
    wanted = [one for one in OUTPUTS if one.needs in needs]
    here, apart = ([one for one in wanted if one.apart is which] for which in (False, True))

    def make_apart() -> None:
        for one in apart:
            one.write(made, folder)

    said: list[str] = []
    with beside(make_apart) if apart else nullcontext():
        for one in here:
            said.extend(one.write(made, folder) or ())
    return tuple(said)
