"""From a stack on disk to a folder of finished outputs, which appears whole or not at all."""

import glob
import os
import platform
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from numpy.typing import ArrayLike

from ctrecon.calibration import calibrate
from ctrecon.core.errors import InputFileError, NoScaleError, OutputExistsError
from ctrecon.core.letters import printable
from ctrecon.core.progress import Progress
from ctrecon.core.threads import in_one_thread
from ctrecon.decisions import FILE_NAME, apply_decisions, read_decisions
from ctrecon.explain import explain_scan, with_warning
from ctrecon.measuring import measure_stack
from ctrecon.outputs import FEATURES, RECORD, SLICES, Made, names_of, write_wanted
from ctrecon.record.explained import Explained
from ctrecon.record.measurement import Measurement
from ctrecon.record.part import Part
from ctrecon.record.priors import PRIORS
from ctrecon.settings import MEASURING, ONE_PART, SCAN, Settings
from ctrecon.slices import SliceStack, as_stack, open_stack
from ctrecon.slices.taken import take

__all__ = [
    "DECIDED", "Progress", "check_target", "measure", "measure_to_folder", "name_of", "open_stated", "open_to_measure",
    "staged_folder", "write_outputs",
]  # fmt: skip

"""Told the stage, how much of it is done and how much there is."""

_STATED = (SCAN, MEASURING, ONE_PART)

DECIDED = "decided.json"
"""The record with what a person decided in it, beside the record as it was measured."""

_OURS = (*names_of(), FILE_NAME, DECIDED)
"""What an output folder may hold."""


_SAYS_NOTHING = frozenset(
    ("slices", "slice", "images", "image", "imgs", "tiff", "tif", "png", "dicom", "dcm", "data", "raw", "stack", "scan")
    + ("scans", "volume", "recon", "reconstruction")
)
"""Names of folders and files that name no part."""


def name_of(source: str | Path) -> str:
    """Return what a stack is called: its folder's or file's name without the ending.

    A name that only says that slices are in it, such as images, gives way to that of the folder above.

    Examples
    --------
    >>> name_of("scans/drum_hub"), name_of("scans/plate.tif"), name_of("drum_hub/slices.tif")
    ('drum_hub', 'plate', 'drum_hub')
    """
    path = Path(source).resolve()
    name = path.name if path.is_dir() else path.stem
    while name.lower() in _SAYS_NOTHING and path.parent.name:
        path = path.parent
        name = path.name
    return printable(name).strip() or "part"


def check_target(out: str | Path, *, force: bool, ours: tuple[str, ...] = _OURS) -> None:
    """Refuse an output folder that is there, or that may not be replaced.

    Parameters
    ----------
    out : path
        Folder to be written.
    force : bool
        Allow it to be replaced, but only where it holds nothing that is not ours.
    ours : tuple of str
        Names, or patterns of names, that such a folder may hold.

    Raises
    ------
    OutputExistsError
        If the folder is there and may not be replaced.
    InputFileError
        If it cannot be written there.
    """
    out = Path(out)
    if os.path.lexists(out):
        if not force:
            raise OutputExistsError(f"{out}: already exists; choose another folder, or add force=True to replace it")
        if out.is_symlink() or not out.is_dir():
            raise OutputExistsError(f"{out}: is not a folder and will not be replaced; choose another one")
        strange = sorted(one.name for one in out.iterdir() if not any(fnmatchcase(one.name, mine) for mine in ours))
        if strange:
            raise OutputExistsError(
                f"{out}: holds files that ctrecon did not write ({strange[0]}) and will not be replaced; "
                "choose another folder"
            )
    standing = next(one for one in (out.absolute().parent, *out.absolute().parents) if os.path.lexists(one))
    if not standing.is_dir():
        raise InputFileError(f"{standing}: is a file, so no folder can be made in it; choose another place")
    if not os.access(standing, os.W_OK | os.X_OK):
        raise InputFileError(f"{standing}: may not be written to; choose another place for the results")


def _here() -> str:
    """Return this machine's name as a part of a file's name."""
    return "".join(one if one.isalnum() else "_" for one in platform.node())[:40]


def _clear_unfinished(place: Path, prefix: str) -> None:
    """Remove what runs of this machine left half-done that were ended without a chance to clear up."""
    for left in place.glob(f"{glob.escape(prefix)}*"):
        number = left.name.removeprefix(prefix).split("-")[0]
        if number.isdigit() and not _lives(int(number)):
            shutil.rmtree(left, ignore_errors=True)


def _lives(number: int) -> bool:
    """Return whether a process of this number runs; in doubt it does."""
    if os.name != "posix":  # elsewhere the question itself may end it
        return True
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _keep_decisions(folder: Path, filling: Path) -> None:
    """Carry what a person decided over into the folder that replaces this one: it can't be measured again."""
    kept = folder / FILE_NAME
    if kept.is_file() and not (filling / FILE_NAME).exists():
        (filling / FILE_NAME).write_bytes(kept.read_bytes())


@contextmanager
def staged_folder(
    out: str | Path, *, force: bool = False, ours: tuple[str, ...] = _OURS, beside: Path | None = None
) -> Iterator[Path]:
    """Lend a temporary folder, and rename it to `out` when all went well.

    It lies in `beside`, on the same disk; unsaid, in the folder that will hold `out`. An old folder is moved aside only
    after the new one is complete, and deleted last.

    Yields
    ------
    Path
        The folder to fill.
    """
    target = Path(out).absolute()
    check_target(out, force=force, ours=ours)
    prefix = f".{target.name[:100]}.{_here()}-"
    _clear_unfinished(beside or target.parent, prefix)
    made = [one for one in target.parents if not one.exists()]
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix=f"{prefix}{os.getpid()}-", dir=beside or target.parent) as lent:
            # A folder inside: unlike the temporary one it has the usual permissions.
            filling, old = Path(lent, "new"), Path(lent, "old")
            filling.mkdir()
            yield filling
            check_target(out, force=force, ours=ours)
            if target.exists():
                _keep_decisions(target, filling)
                os.rename(target, old)
            try:
                os.rename(filling, target)
            except OSError:
                if old.exists():
                    os.rename(old, target)
                raise
    except BaseException:
        with suppress(OSError):  # a folder that somebody else filled meanwhile stays
            for folder in made:
                folder.rmdir()
        raise


def write_outputs(
    measurement: Measurement,
    stack: SliceStack,
    out: str | Path,
    *,
    settings: Settings | None = None,
    force: bool = False,
    explained: Explained | None = None,
    beside: Path | None = None,
) -> None:
    """Write all files of a measurement into a new folder.

    A record without features gets no sheet: there is nothing to draw.

    Parameters
    ----------
    measurement : Measurement
        What was measured, with the pictures for the report.
    stack : SliceStack
        The slices it was measured on.
    out : path
        Folder to be written.
    settings : Settings or None
        How sheets are drawn.
    force : bool
        Replace the folder where it is there.
    explained : Explained or None
        How far the record explains the scan, for the report.
    beside : Path or None
        Where half-done work lies; see `staged_folder`.
    """
    part = measurement.part
    made = Made(part=part, settings=settings or Settings(), measurement=measurement, stack=stack, explained=explained)
    with staged_folder(out, force=force, beside=beside) as folder:
        write_wanted(made, folder, RECORD, SLICES, *((FEATURES,) if part.features else ()))


def _priors(separate: float | None) -> dict[str, float] | None:
    """Return the usual priors with the ways of several pieces scaled to a stated sum."""
    if separate is None:
        return None
    several = {name: prior for name, prior in PRIORS.items() if name != "one_piece"}
    scale = separate / sum(several.values())
    return {"one_piece": 1 - separate, **{name: prior * scale for name, prior in several.items()}}


def _with_part(measurement: Measurement, part: Part) -> Measurement:
    """Return the measurement with what a person made of its record; pictures show what is left in it."""
    left = {one.id for one in part.features}
    pictures = tuple(
        replace(one, curves=tuple(curve for curve in one.curves if curve[0] in left)) for one in measurement.pictures
    )
    seams = tuple(one for one in measurement.seam_pictures if one.feature in left)
    return replace(measurement, part=part, pictures=pictures, seam_pictures=seams)


def _measured(
    stack: SliceStack,
    settings: Settings,
    *,
    name: str,
    progress: Progress | None = None,
    told: Callable[[str], None] | None = None,
) -> tuple[Measurement, Explained | None]:
    """Measure a stack, ask how far the record explains it, and put in what a person decided and knows."""
    decisions = () if settings.decisions is None else read_decisions(settings.decisions)
    measurement = measure_stack(
        stack,
        name=settings.name or name,
        boundary=settings.boundary,
        priors=_priors(settings.prior_separate),
        progress=progress,
    )
    explained = None
    if measurement.part.features:
        # with the sizes as measured: true scale comes after
        explained = explain_scan(measurement.part, stack, progress=progress)
        if explained.lumps:
            measurement = replace(measurement, part=with_warning(measurement.part, explained))
        if told is not None:
            told(explained.says)
    if decisions:
        decided, unmatched = apply_decisions(measurement.part, decisions, knowns=settings.known)
        measurement = _with_part(measurement, decided)
        if told is not None:
            told(f"{len(decisions) - len(unmatched)} of {len(decisions)} decisions replayed")
    elif settings.known and measurement.part.features:
        measurement = replace(measurement, part=calibrate(measurement.part, *settings.known))
    return measurement, explained


def open_stated(source: str | Path, settings: Settings) -> SliceStack:
    """Open what of a stack is to be looked at, as a person states it; it may have no scale."""
    stack = open_stack(
        source, voxel_mm=settings.voxel_mm, towards_viewer=settings.depth_towards_viewer, raw=settings.raw
    )
    return _taken(stack, settings)


def _taken(stack: SliceStack, settings: Settings) -> SliceStack:
    return take(stack, slices=settings.slices, window=settings.window, joined=settings.join, quick=settings.quick)


def open_to_measure(source: str | Path, settings: Settings) -> SliceStack:
    """Open a stack that has a scale."""
    stack = open_stated(source, settings)
    if stack.voxel_mm is None:
        why = "".join(f" ({note.says.rstrip('.')})" for note in stack.notes if note.flag == "scale_unusable")
        raise NoScaleError(
            f"{source}: the files do not state how large a voxel is{why}; give its edge in mm, such as "
            "voxel_mm=0.05, or all three as voxel_mm=(dz, dy, dx) (between slices, down, across)"
        )
    return stack


@in_one_thread
def measure(source: str | Path | SliceStack | ArrayLike, *, progress: Progress | None = None, **stated: Any) -> Part:
    """Measure a stack and return its record: what `measure_to_folder` writes as part.json.

    Parameters
    ----------
    source : path, SliceStack or array
        Folder of slices or one file; an open stack; or grey values in memory, shape (slices, rows, columns) or
        (rows, columns), the first slice nearest to the viewer.
    progress : callable or None
        Told the stage, how much is done and how much there is.
    **stated : Any
        What a person says of the slices and the part, by the names `Settings` has for it: voxel_mm,
        depth_towards_viewer, raw, slices, window, join, quick, boundary, prior_separate, known, decisions, name.

    Returns
    -------
    Part
        The record; without features, and with a warning, where there was nothing to measure.

    Raises
    ------
    NoScaleError
        If nobody says how large a voxel is.
    InputFileError
        If the slices cannot be read.
    InputError
        If a value cannot be used.

    Notes
    -----
    `measure_stack` gives the pictures of the report as well.

    Examples
    --------
    A plate of 2.8 by 2 mm in one slice, blurred and noisy:

    >>> import numpy as np
    >>> from scipy.ndimage import gaussian_filter
    >>> import ctrecon as ct
    >>> y, x = np.mgrid[:40, :40]
    >>> metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    >>> grey = 100 + 800 * gaussian_filter(metal, 1.0) + np.random.default_rng(1).normal(0, 5, x.shape)
    >>> part = ct.measure(grey, voxel_mm=0.1, name="plate")
    >>> for feature in part.features:
    ...     print(feature.id, feature.kind, f"{feature.size:.3f}")
    F1 rectangular_outside 2.800 ± 0.002 x 2.000 ± 0.001
    """
    settings = Settings.stated(stated, *_STATED, by="measure")
    if isinstance(source, (str, os.PathLike)):
        stack, name = open_to_measure(Path(source), settings), name_of(source)
    else:
        whole = as_stack(source, by="measure", voxel_mm=settings.voxel_mm, towards_viewer=settings.depth_towards_viewer)
        stack = _taken(whole, settings)
        name = stack.source
    return _measured(stack, settings, name=name, progress=progress)[0].part


@in_one_thread
def measure_to_folder(
    source: str | Path,
    out: str | Path,
    *,
    settings: Settings | None = None,
    force: bool = False,
    progress: Progress | None = None,
    told: Callable[[str], None] | None = None,
    beside: Path | None = None,
) -> Part:
    """Measure a stack and write record, tables, sheet and report into a folder.

    Parameters
    ----------
    source : path
        Folder of slices, or one file.
    out : path
        Folder to be written; see `ctrecon.outputs.OUTPUTS`.
    settings : Settings or None
        What a person states about the stack.
    force : bool
        Replace the folder where it is there; it is kept until the new one is complete.
    progress : callable or None
        Told the stage, how much is done and how much there is.
    told : callable or None
        Told in one line how far the record explains the scan.
    beside : Path or None
        Where half-done work lies, on the same disk as `out`; unsaid, in the folder that will hold `out`.

    Returns
    -------
    Part
        The record; without features where there was nothing to measure.

    Raises
    ------
    NoScaleError
        If neither the files nor the settings give the voxel size.
    InputFileError
        If the stack cannot be read or the folder not be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> import numpy as np
    >>> from PIL import Image
    >>> from scipy.ndimage import gaussian_filter
    >>> from ctrecon import Settings, measure_to_folder
    >>> y, x = np.mgrid[:40, :40]
    >>> metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    >>> grey = 100 + 800 * gaussian_filter(metal, 1.0) + np.random.default_rng(1).normal(0, 5, x.shape)
    >>> Image.fromarray(grey.astype(np.uint16)).save("plate.png")
    >>> part = measure_to_folder("plate.png", "plate_out", settings=Settings(voxel_mm=0.1))
    >>> [feature.kind for feature in part.features]
    ['rectangular_outside']
    >>> Path("plate_out", "sheet.pdf").exists()
    True
    """
    settings = settings or Settings()
    if settings.decisions is not None:
        read_decisions(settings.decisions)  # a fault in the file is told before minutes of measuring, not after
    check_target(out, force=force)
    stack = open_to_measure(source, settings)
    measurement, explained = _measured(stack, settings, name=name_of(source), progress=progress, told=told)
    if progress is not None:
        progress("writing", 0, 1)
    write_outputs(
        measurement, stack, out, settings=settings, force=force, explained=explained, beside=beside
    )
    if progress is not None:
        progress("writing", 1, 1)
    return measurement.part
