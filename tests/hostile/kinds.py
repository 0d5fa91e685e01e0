"""Kinds of input: each makes a mutated one in a folder and returns what the program is asked to do with it."""

import io
import json
import os
import random
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from mutate import mutated_bytes, mutated_json, mutated_numbers, mutated_text
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
VOLUME = (np.arange(4 * 20 * 24).reshape(4, 20, 24) * 7 % 251).astype(np.uint8)
Act = Callable[[], object]


def _tiff(**how: Any) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, how.pop("volume", VOLUME.astype(np.uint16)), **how)
    return out.getvalue()


def _picture(kind: str, plane: Any = None, **how: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(VOLUME[0] if plane is None else plane).save(out, kind, **how)
    return out.getvalue()


@cache
def _dicom() -> bytes:
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid

    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2"
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["slice"])
    data = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID, data.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    data.SeriesInstanceUID = generate_uid(entropy_srcs=["series"])
    data.Rows, data.Columns = VOLUME.shape[1:]
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = 16
    data.HighBit, data.PixelRepresentation = 15, 0
    data.PixelSpacing, data.SliceThickness = [0.05, 0.05], 0.1
    data.ImagePositionPatient, data.ImageOrientationPatient = [0, 0, 0], [1, 0, 0, 0, 1, 0]
    data.PixelData = VOLUME[0].astype(np.uint16).tobytes()
    out = io.BytesIO()
    data.save_as(out, enforce_file_format=True)
    return out.getvalue()


@cache
def _written(name: str) -> bytes:
    """Return a volume as the library that owns its format writes it."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"v.{name.split()[0]}")
        if path.suffix == ".h5":
            import h5py

            with h5py.File(path, "w") as file:
                made = file.create_dataset("grey", data=VOLUME, chunks=(2, 8, 8), compression="gzip")
                made.attrs["voxel_mm"] = [0.1, 0.05, 0.05]
        else:
            import SimpleITK as sitk

            image = sitk.GetImageFromArray(VOLUME)
            image.SetSpacing((0.05, 0.05, 0.1))
            sitk.WriteImage(image, str(path), name.endswith("packed"))
        return path.read_bytes()


def _opened(path: Path, **how: Any) -> Act:
    def act() -> None:
        from ctrecon.slices import open_stack

        for plane in open_stack(path, **how):
            assert plane.ndim == 2

    return act


def _one_file(name: str, make: Callable[[], bytes]) -> Callable[[random.Random, Path], Act]:
    def kind(rng: random.Random, folder: Path) -> Act:
        (folder / name).write_bytes(mutated_bytes(rng, make()))
        return _opened(folder / name)

    return kind


def _folder(name: str, make: Callable[[], bytes]) -> Callable[[random.Random, Path], Act]:
    """A folder of four good slices, one of them spoilt."""

    def kind(rng: random.Random, folder: Path) -> Act:
        spoilt = rng.randrange(4)
        for k in range(4):
            data = make()
            (folder / name.format(k)).write_bytes(mutated_bytes(rng, data) if k == spoilt else data)
        return _opened(folder)

    return kind


def _hostile_names(rng: random.Random, folder: Path) -> Act:
    """A stack whose folder has a name nobody would give; it is measured and drawn."""
    names = ("a\x1b[31mred", "tab\there", "new\nline", b"not \xff utf8", "zero\u200bwidth", "<b>&\"'", "=cmd()", "-x", "  ", "é×Ø", "a" * 200)
    name = rng.choice(names)
    inner = Path(os.fsdecode(name) if isinstance(name, bytes) else name)
    place = folder / inner
    place.mkdir()
    for k in range(2):
        tifffile.imwrite(place / f"s{k}.tif", _plate(k))

    def act() -> None:
        from ctrecon import Settings, measure_to_folder

        measure_to_folder(place, folder / "out", settings=Settings(voxel_mm=0.05))
        _well_formed(folder / "out")

    return act


def _plate(seed: int) -> Any:
    from scipy.ndimage import gaussian_filter

    y, x = np.mgrid[:40, :40]
    metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    grey = 100 + 800 * gaussian_filter(metal, 1.0) + np.random.default_rng(seed).normal(0, 5, x.shape)
    return grey.astype(np.uint16)


def _well_formed(out: Path) -> None:
    from xml.etree import ElementTree

    import ezdxf

    ElementTree.parse(out / "sheet.svg")
    ezdxf.readfile(out / "sheet.dxf")
    page = (out / "report.html").read_text(encoding="utf-8")
    assert not any(ord(letter) < 32 and letter not in "\n\t" for letter in page), "control characters in the report"


@cache
def _records() -> list[Any]:
    from wheel_records import fragment

    from ctrecon.record.store import part_to_json

    folder = ROOT / "notebooks" / "fare_counter" / "records"
    return [json.loads(part_to_json(fragment()))] + [json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))]


def _record(rng: random.Random, folder: Path, act: Callable[[Any, Path], object], mutated: Any = mutated_json) -> Act:
    (folder / "part.json").write_bytes(mutated(rng, rng.choice(_records())))

    def read_and() -> None:
        from ctrecon import read_part

        act(read_part(folder / "part.json"), folder)

    return read_and


def _read_record(rng: random.Random, folder: Path) -> Act:
    def act(part: Any, place: Path) -> None:
        from ctrecon import write_features_csv, write_part

        write_part(part, place / "again.json")
        write_features_csv(part, place / "features.csv")

    return _record(rng, folder, act)


def _draw_record(rng: random.Random, folder: Path) -> Act:
    def act(part: Any, place: Path) -> None:
        from ctrecon import draw_sheet, write_outlines

        draw_sheet(part, place / "sheet")
        write_outlines(part, place / "outlines.dxf")

    return _record(rng, folder, act)


def _use_record(rng: random.Random, folder: Path) -> Act:
    """A record of which some numbers lie goes all the ways a record goes."""

    def calibrated(part: Any, place: Path) -> None:
        from ctrecon import calibrate, write_part

        one = rng.choice(part.features)
        value = rng.choice([size.value for size in vars(one).values() if hasattr(size, "value")] or [3.0])
        write_part(calibrate(part, f"{one.id}={abs(value) * 1.01:.4f}±0.02"), place / "again.json")

    def decided(part: Any, place: Path) -> None:
        from ctrecon import apply_decisions, read_part, write_part

        good = read_part(rng.choice(sorted((ROOT / "notebooks" / "fare_counter" / "records").glob("*.json"))))
        write_part(apply_decisions(part, _good_decisions(good))[0], place / "again.json")

    def drawn(part: Any, place: Path) -> None:
        from ctrecon import draw_sheet, write_features_csv, write_outlines, write_template

        draw_sheet(part, place / "sheet")
        write_outlines(part, place / "outlines.dxf")
        write_template(part, place / "template.pdf")
        write_features_csv(part, place / "features.csv")

    def reported(part: Any, place: Path) -> None:
        from ctrecon import write_report

        write_report(part, None, place / "report.html")

    def solid(part: Any, place: Path) -> None:
        from ctrecon import write_solid

        write_solid(part, place / "solid.step")

    def wheeled(part: Any, place: Path) -> None:
        from ctrecon import plan_wheels

        plan_wheels([part])

    return _record(rng, folder, rng.choice((calibrated, decided, drawn, reported, solid, wheeled)), mutated_numbers)


def _plan_records(rng: random.Random, folder: Path) -> Act:
    """An assembly of which one record lies."""
    source = ROOT / "notebooks" / "fare_counter"
    (folder / "records").mkdir()
    spoilt = rng.choice(sorted((source / "records").glob("*.json"))).name
    for path in (source / "records").glob("*.json"):
        data = path.read_bytes()
        (folder / "records" / path.name).write_bytes(mutated_numbers(rng, json.loads(data)) if path.name == spoilt else data)
    (folder / "assembly.toml").write_bytes((source / "assembly.toml").read_bytes())

    def act() -> None:
        from ctrecon import make_plan, read_assembly

        make_plan(read_assembly(folder / "assembly.toml"))

    return act


def _own_stock(rng: random.Random, folder: Path) -> Act:
    rows = ["thickness_mm,section,tolerance_mm,label", "1.50,sheet,0.02,offcut", "0.072 in,sheet,,gauge", "6.0mm,round,0.01,rod"]
    at = rng.randrange(len(rows))
    cells = rows[at].split(",")
    which = rng.randrange(len(cells))
    cells[which] = mutated_text(rng, cells[which])
    rows[at] = ",".join(cells)
    (folder / "own.csv").write_text("\n".join(rows), encoding="utf-8", errors="replace")

    def act() -> None:
        from ctrecon.workshop.own_stock import own_stock, rod_sizes, sheet_sizes

        own = own_stock(folder / "own.csv")
        assert sheet_sizes(own=own)
        assert rod_sizes("round", own=own)

    return act


def _good_decisions(part: Any) -> list[Any]:
    from ctrecon.decisions import Accept, Add, KnownLength, LengthBetween, Rename, named

    first = named(part, part.features[0])
    return [
        Accept(feature=first), Rename(feature=first, name="drum"), KnownLength(feature=first, value_mm=6.4, u_mm=0.01),
        Add(kind="round_hole", points_px=((10, 10), (14, 10), (12, 12)), slices=(2, 9), on_slice=4),
        KnownLength(between=LengthBetween(slice=4, one_px=(10, 10), other_px=(60, 10)), value_mm=2.5, u_mm=0.01),
    ]  # fmt: skip


def _decisions(rng: random.Random, folder: Path) -> Act:
    from ctrecon import read_part, write_decisions

    path = sorted((ROOT / "notebooks" / "fare_counter" / "records").glob("*.json"))[0]
    part = read_part(path)
    some = _good_decisions(part)
    write_decisions(some[: rng.randint(1, len(some))], folder / "good.json")
    good = json.loads((folder / "good.json").read_text(encoding="utf-8"))
    (folder / "decisions.json").write_bytes(mutated_json(rng, good))

    def act() -> None:
        from ctrecon import apply_decisions, read_decisions, write_part

        write_part(apply_decisions(part, read_decisions(folder / "decisions.json"))[0], folder / "again.json")

    return act


def _known(rng: random.Random, folder: Path) -> Act:
    from ctrecon import read_part

    part = read_part(sorted((ROOT / "notebooks" / "fare_counter" / "records").glob("*.json"))[0])
    text = mutated_text(rng, rng.choice(("F1=12.00±0.02", "F2.length=4.5 ± 0.05", "F1:F2=30.00 +/- 0.02 mm", "F1.taper = 0.02")))

    def act() -> None:
        from ctrecon import calibrate

        calibrate(part, text)

    return act


def _options(rng: random.Random, folder: Path) -> Act:
    number = lambda: rng.choice((0, -1, 1e300, 5e-324, 1e-30, 1e30, 0.05, "x", "0,05", float("nan"), 10**30))  # noqa: E731
    given = rng.choice((
        {"voxel_mm": number()}, {"voxel_mm": (0.05, number(), number())}, {"slices": (number(), number())},
        {"window": (0, number(), number(), 39)}, {"join": rng.choice((0, 3, 10**9))}, {"prior_separate": 1e-300},
        {"known": "F1=" + "9" * 400}, {"name": "n" * 5000}, {"raw": mutated_text(rng, "2x40x40:uint16")},
    ))  # fmt: skip
    for k in range(2):
        tifffile.imwrite(folder / f"s{k}.tif", _plate(k))

    def act() -> None:
        from ctrecon import measure_to_folder
        from ctrecon.settings import Settings

        measure_to_folder(folder, folder / "out", settings=Settings(**({"voxel_mm": 0.05} | given)))

    return act


def _assembly(rng: random.Random, folder: Path) -> Act:
    source = ROOT / "notebooks" / "fare_counter"
    (folder / "records").symlink_to(source / "records")
    text = (source / "assembly.toml").read_text(encoding="utf-8")
    lines = text.splitlines()
    at = rng.choice([k for k, line in enumerate(lines) if "=" in line and not line.startswith("#")])
    key, _, value = lines[at].partition("=")
    lines[at] = f"{key}={mutated_text(rng, value)}" if rng.random() < 0.7 else mutated_text(rng, lines[at])
    (folder / "assembly.toml").write_text("\n".join(lines), encoding="utf-8", errors="replace")

    def act() -> None:
        from ctrecon import make_plan, read_assembly

        make_plan(read_assembly(folder / "assembly.toml"))

    return act


KINDS: dict[str, Callable[[random.Random, Path], Act]] = {
    "tiff": _one_file("v.tif", _tiff),
    "tiff deflate": _one_file("v.tif", lambda: _tiff(compression="zlib")),
    "tiff big": _one_file("v.tif", lambda: _tiff(bigtiff=True)),
    "tiff one of many": _folder("s{}.tif", lambda: _tiff(volume=VOLUME[0])),
    "tiff by pictures": _one_file("v.tif", lambda: _picture("TIFF", compression="tiff_lzw")),
    "png": _one_file("v.png", lambda: _picture("PNG")),
    "jpeg": _one_file("v.jpg", lambda: _picture("JPEG")),
    "bmp": _one_file("v.bmp", lambda: _picture("BMP")),
    "png one of many": _folder("s{}.png", lambda: _picture("PNG")),
    "dicom": _one_file("v.dcm", _dicom),
    "hdf5": _one_file("v.h5", lambda: _written("h5")),
    "nrrd": _one_file("v.nrrd", lambda: _written("nrrd")),
    "nrrd packed": _one_file("v.nrrd", lambda: _written("nrrd packed")),
    "metaimage": _one_file("v.mha", lambda: _written("mha")),
    "metaimage packed": _one_file("v.mha", lambda: _written("mha packed")),
    "record read": _read_record,
    "record drawn": _draw_record,
    "record used": _use_record,
    "decisions": _decisions,
    "known sizes": _known,
    "options": _options,
    "assembly": _assembly,
    "assembly of records": _plan_records,
    "own stock": _own_stock,
    "names": _hostile_names,
}
"""Every kind by its name."""
