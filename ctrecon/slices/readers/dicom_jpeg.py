"""A look at the head of a lossless JPEG or JPEG-LS frame: on a damaged one the codec would stop the whole program.

What must hold stands in ITU-T T.81 (ISO/IEC 10918-1), annexes B and H, and T.87 (ISO/IEC 14495-1), annex C.
"""

import struct

__all__ = ["sound_jpeg"]

_START, _LOSSLESS, _TABLES, _SCAN, _END, _RESTART = 0xD8, 0xC3, 0xC4, 0xDA, 0xD9, 0xDD
_LS, _PRESETS = 0xF7, 0xF8
_SKIPPED = frozenset({*range(0xE0, 0xF0), 0xFE})


def sound_jpeg(frame: bytes, *, rows: int, columns: int, itemsize: int) -> bool:
    """Return whether the head of a lossless JPEG or JPEG-LS is whole and describes the plane it should.

    Parameters
    ----------
    frame : bytes
        One frame, from its first marker on.
    rows, columns : int
        Size of the plane, px.
    itemsize : int
        Bytes of one stored value.
    """
    if frame[:2] != bytes([0xFF, _START]):
        return False
    at, kind, tables = 2, 0, set[int]()
    while at + 4 <= len(frame):
        mark, code, length = struct.unpack_from(">BBH", frame, at)
        body = frame[at + 4 : at + 2 + length]
        if mark != 0xFF or length < 2 or len(body) != length - 2:
            return False
        at += 2 + length
        if code in (_LOSSLESS, _LS):
            if kind or not _sized_alike(body, rows, columns, itemsize):
                return False
            kind = code
        elif code == _TABLES:
            found = _table_numbers(body)
            if found is None:
                return False
            tables |= found
        elif code == _SCAN:
            fits = _scan_fits(body, tables) if kind == _LOSSLESS else kind == _LS and _ls_scan_fits(body)
            return fits and bytes([0xFF, _END]) in frame[at:]
        elif code == _RESTART:
            if len(body) != 2:
                return False
        elif code == _PRESETS:
            if len(body) != 11 or body[0] != 1:
                return False
        elif code not in _SKIPPED:
            return False
    return False


def _sized_alike(body: bytes, rows: int, columns: int, itemsize: int) -> bool:
    """B.2.2: precision, lines, samples a line, one component with factors of 1."""
    if len(body) != 9:
        return False
    precision, high, wide, components = struct.unpack_from(">BHHB", body)
    fits = 2 <= precision <= 16 and (precision + 7) // 8 == itemsize
    return fits and (high, wide, components) == (rows, columns, 1) and body[8] == 0


def _table_numbers(body: bytes) -> set[int] | None:
    """B.2.4.2: numbers of the tables in a segment, or None where one is not a prefix code."""
    found: set[int] = set()
    while body:
        if len(body) < 17 or body[0] > 3:
            return None
        counts, room = body[1:17], 1
        for count in counts:
            room = 2 * room - count
            if room < 0:
                return None
        total = sum(counts)
        if not 0 < total <= len(body) - 17 or any(value > 16 for value in body[17 : 17 + total]):
            return None
        found.add(body[0])
        body = body[17 + total :]
    return found


def _scan_fits(body: bytes, tables: set[int]) -> bool:
    """H.2: one component, a table that is there, a predictor from 1 to 7."""
    return len(body) == 6 and body[0] == 1 and body[2] >> 4 in tables and 1 <= body[3] <= 7 and body[5] >> 4 == 0


def _ls_scan_fits(body: bytes) -> bool:
    """T.87, C.2.3: one component, no mapping table, planes not interleaved, no point transform."""
    return len(body) == 6 and body[0] == 1 and body[2] == 0 and body[4] == 0 and body[5] == 0
