"""The changed assembly as TOML: the changed tables alone, to copy, or the whole file with its comments."""

import json
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from ctrecon.core.errors import InputFileError, OutputExistsError
from ctrecon.core.files import write_whole
from ctrecon.workshop.assembly.changed import AssemblyFile

__all__ = ["changed_tables", "save_assembly", "toml_text", "whole_text"]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_HEADER = re.compile(r"\s*\[\[?\s*(?P<first>[A-Za-z0-9_-]+|\"[^\"]*\")\s*(\.[^\[\],=]*)?\]\]?\s*(#.*)?")


def toml_text(data: Mapping[str, Any]) -> str:
    """Return data as TOML: plain keys first, then tables, each under its header.

    Examples
    --------
    >>> print(toml_text({"done": ["a"], "made": {"spacer.thickness": "1.49±0.01"}}), end="")
    done = ["a"]
    <BLANKLINE>
    [made]
    "spacer.thickness" = "1.49±0.01"
    """
    return "\n".join(_table(data, "")) + "\n"


def _table(data: Mapping[str, Any], name: str) -> Iterator[str]:
    """Go through the lines of a table and of those inside it."""
    inside = {key: one for key, one in data.items() if isinstance(one, Mapping) or (not name and _tables(one))}
    yield from (f"{_key(key)} = {_value(one)}" for key, one in data.items() if key not in inside)
    for key, one in inside.items():
        whole = f"{name}.{_key(key)}" if name else _key(key)
        for single in [one] if isinstance(one, Mapping) else one:
            if single is not one or not one or not all(isinstance(value, Mapping) for value in one.values()):
                yield ""
                yield f"[{whole}]" if isinstance(one, Mapping) else f"[[{whole}]]"
            yield from _table(single, whole)


def _tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, Mapping) for one in value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _quoted(key)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return repr(value)


def changed_tables(file: AssemblyFile) -> str:
    """Return what was changed as TOML to copy: each changed table whole, in the place of the one in the file."""
    before = _data(file.text)
    names = _changed(before, file.data)
    if not names:
        return f"# nothing is changed in {file.path.name}\n"
    head = f"# these take the place of the same tables in {file.path.name}\n"
    gone = "".join(f"# {name} is taken out\n" for name in names if name not in file.data)
    return head + gone + toml_text({name: file.data[name] for name in names if name in file.data}).lstrip("\n")


def whole_text(file: AssemblyFile, folder: Path | None = None) -> str:
    """Return the whole changed file as text.

    All that was not changed stays as it was written, comments included; where that cannot be done, all is written
    anew from the data.

    Parameters
    ----------
    file : AssemblyFile
        The file with its changes.
    folder : Path or None
        Where it is going to lie: names of records and lists are then given from there. None for where it lies.
    """
    there = file.path.absolute().parent
    names = {} if folder is None or folder.absolute() == there else _moved(file.data, there, folder.absolute())
    wanted = _renamed(file.data, names)
    text = _spliced(file)
    for old, new in names.items():
        text = text.replace(_quoted(old), _quoted(new)).replace(f"'{old}'", _quoted(new))
    try:
        same = _data(text) == wanted
    except tomllib.TOMLDecodeError:
        same = False
    return text if same else toml_text(wanted)


def save_assembly(file: AssemblyFile, path: str | Path, *, replace_it: bool = False) -> Path:
    """Write the whole changed file; a file that is there is left alone unless it is to be replaced.

    Parameters
    ----------
    file : AssemblyFile
        The file with its changes.
    path : path
        Where to; its folder must be there.
    replace_it : bool
        Whether a file of that name may be overwritten.

    Returns
    -------
    Path
        The file that was written.

    Raises
    ------
    OutputExistsError
        If the file is there and must not be replaced.
    InputFileError
        If it cannot be written there.
    """
    if not str(path).strip():
        raise InputFileError("no file is named; give one, such as my_counter.toml")
    path = Path(str(path).strip())
    if path.is_dir():
        raise InputFileError(f"{path} is a folder; name a file in it, such as {path / 'assembly.toml'}")
    if path.exists() and not replace_it:
        raise OutputExistsError(f"{path} is there already; give another name, or say that it may be replaced")
    write_whole(path, whole_text(file, path.absolute().parent).encode("utf-8"))
    return path


def _data(text: str) -> dict[str, Any]:
    return tomllib.loads(text.replace("\r\n", "\n"))


def _changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    return [name for name in dict.fromkeys((*after, *before)) if before.get(name) != after.get(name)]


def _files_in(data: Mapping[str, Any]) -> Iterator[str]:
    """Go through the names of files in the data: records of parts, own lists of sheet."""
    for part in data.get("parts", {}).values():
        if isinstance(part.get("record"), str):
            yield part["record"]
    yield from data.get("stock", {}).get("stock_files", [])


def _moved(data: Mapping[str, Any], there: Path, folder: Path) -> dict[str, str]:
    """Return old and new name of every file that is named from the assembly file's own folder."""
    out = {}
    for name in _files_in(data):
        if not Path(name).is_absolute():
            try:
                out[name] = Path(os.path.relpath(there / name, folder)).as_posix()
            except ValueError:  # on another drive there is no way from here to there
                out[name] = (there / name).as_posix()
    return out


def _renamed(data: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    out = dict(data)
    if "parts" in out:
        out["parts"] = {
            ident: {**part, "record": names.get(part["record"], part["record"])} if "record" in part else part
            for ident, part in out["parts"].items()
        }
    if "stock_files" in out.get("stock", {}):
        files = [names.get(one, one) for one in out["stock"]["stock_files"]]
        out["stock"] = {**out["stock"], "stock_files": files}
    return out


def _spliced(file: AssemblyFile) -> str:
    """Return the text of the file with the changed tables replaced where they stand."""
    text = file.text.replace("\r\n", "\n")
    lines = text.splitlines()
    names = _changed(_data(text), file.data)
    values = {name: file.data.get(name) for name in names}
    plain = [name for name, one in values.items() if not isinstance(one, Mapping) and not _tables(one)]
    top, blocks = _blocks(lines)
    top = list(_without(top, names))
    fresh = {name: file.data[name] for name in names if name in file.data}
    at = max((k for k, line in enumerate(top, 1) if line.strip() and not line.lstrip().startswith("#")), default=0)
    top[at:at] = [f"{_key(name)} = {_value(fresh[name])}" for name in plain if name in fresh]
    new = {name: "\n".join(_table({name: one}, "")).strip("\n") for name, one in fresh.items() if name not in plain}
    out = top
    following = [*(first for first, _ in blocks[1:]), ""]
    for (first, block), after in zip(blocks, following, strict=True):
        if first not in names:
            out += block
            continue
        if first in new:
            fresh_lines = new.pop(first).split("\n")
            out += [block[0] if block[0].startswith(fresh_lines[0]) else fresh_lines[0], *fresh_lines[1:]]
        out += [line for line in _tail(block) if first != after or line.strip()]
    for block_text in new.values():
        out += ["", *block_text.split("\n")] if out and out[-1].strip() else block_text.split("\n")
    return "\n".join(out).rstrip("\n") + "\n"


def _tail(lines: list[str]) -> list[str]:
    """Return the blank lines and comments at the end of a table: they belong to what follows."""
    at = max(k for k, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#"))
    return lines[at:]


def _blocks(lines: Iterable[str]) -> tuple[list[str], list[tuple[str, list[str]]]]:
    """Return what stands before the first header, and each table with the first word of its header."""
    top: list[str] = []
    blocks: list[tuple[str, list[str]]] = []
    for line in lines:
        found = _HEADER.fullmatch(line)
        if found is not None:
            blocks.append((found["first"].strip('"'), [line]))
        elif blocks:
            blocks[-1][1].append(line)
        else:
            top.append(line)
    return top, blocks


def _without(lines: list[str], names: Iterable[str]) -> Iterator[str]:
    """Go through the plain lines of the top without the keys named, however many lines their values take."""
    k = 0
    while k < len(lines):
        key = lines[k].partition("=")[0].strip().strip('"')
        if key.partition(".")[0] not in names or "=" not in lines[k]:
            yield lines[k]
            k += 1
            continue
        end = k + 1
        while end < len(lines) and not _whole(lines[k:end]):
            end += 1
        k = end


def _whole(lines: list[str]) -> bool:
    try:
        tomllib.loads("\n".join(lines))
    except tomllib.TOMLDecodeError:
        return False
    return True
