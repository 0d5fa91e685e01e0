"""A second reader of DXF files, written for these tests: pairs of group code and value, no drawing library.

After the published DXF reference: every second line is a group code, 0 begins an entity, 8 is its
layer, 10/20 a point, 40 a radius, 42 a bulge or (of a dimension) what it measures, 70 flags.
"""

import math
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Entity:
    """One entity of the ENTITIES section: its type and its (code, value) pairs in order."""

    kind: str
    pairs: list[tuple[int, str]] = field(default_factory=list)

    def number(self, code: int) -> float:
        """Return the first number under a group code."""
        return float(next(value for found, value in self.pairs if found == code))

    def text(self, code: int) -> str:
        """Return the first text under a group code."""
        return next(value for found, value in self.pairs if found == code)

    def vertices(self) -> list[tuple[float, float, float]]:
        """Return (x, y, bulge) of a light polyline."""
        found: list[list[float]] = []
        for code, value in self.pairs:
            if code == 10:
                found.append([float(value), 0.0, 0.0])
            elif code == 20 and found:
                found[-1][1] = float(value)
            elif code == 42 and found:
                found[-1][2] = float(value)
        return [(x, y, bulge) for x, y, bulge in found]

    @property
    def closed(self) -> bool:
        """Tell whether a light polyline is closed."""
        return bool(int(self.number(70)) & 1)

    def length(self) -> float:
        """Return the length of a circle, line or polyline in drawing units."""
        if self.kind == "CIRCLE":
            return 2 * math.pi * self.number(40)
        if self.kind == "LINE":
            return math.dist((self.number(10), self.number(20)), (self.number(11), self.number(21)))
        spots = self.vertices()
        total = 0.0
        for (ax, ay, bulge), (bx, by, _) in zip(spots, spots[1:] + spots[:1] if self.closed else spots[1:],
                                                 strict=False):  # fmt: skip
            chord = math.dist((ax, ay), (bx, by))
            angle = 4 * math.atan(abs(bulge))
            total += chord if not bulge else chord * angle / (2 * math.sin(angle / 2))
        return total


def read(path: Path) -> tuple[dict[str, str], list[Entity]]:
    """Return the first value of every header variable, and the entities of model space."""
    lines = path.read_text(encoding="utf-8").splitlines()
    pairs = [(int(code), value) for code, value in zip(lines[::2], lines[1::2], strict=True)]
    header: dict[str, str] = {}
    entities: list[Entity] = []
    section = name = ""
    for code, value in pairs:
        if code == 0 and value == "SECTION":
            section = "?"
        elif section == "?" and code == 2:
            section = value
        elif code == 0 and value == "ENDSEC":
            section = ""
        elif section == "HEADER" and code == 9:
            name = value
        elif section == "HEADER" and name:
            header.setdefault(name, value)
        elif section == "ENTITIES" and code == 0:
            entities.append(Entity(value))
        elif section == "ENTITIES" and entities:
            entities[-1].pairs.append((code, value))
    return header, entities
