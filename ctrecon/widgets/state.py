"""The review of a record as plain state: slice, chosen feature, depth range, and decisions that can be undone.

Nothing here knows of widgets; they only bind to it. Every decision is saved at once beside the record.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from ctrecon.calibration import parse_known
from ctrecon.calibration.sentences import FAR_OFF
from ctrecon.core.errors import CtreconError, InputError, InputFileError
from ctrecon.core.measured import format_percent
from ctrecon.decisions import (
    FILE_NAME,
    Accept,
    Add,
    ChangeKind,
    Decision,
    FeatureName,
    JudgePiece,
    KnownLength,
    LengthBetween,
    OfFeature,
    Reject,
    Rename,
    Unmatched,
    apply_decisions,
    feature_of_piece,
    fingerprint,
    named,
    read_decisions,
    write_decisions,
)
from ctrecon.decisions.kinds import possible_kinds, with_kind
from ctrecon.decisions.match import main_size
from ctrecon.outputs import FEATURES, Made, write_wanted
from ctrecon.pipeline import DECIDED, open_stated
from ctrecon.record.part import Feature, Part
from ctrecon.record.store import read_part, write_features_csv, write_part
from ctrecon.settings import Settings
from ctrecon.slices import SliceStack
from ctrecon.widgets.curves import Curve, curves_on_slice, nearest_curve, slices_of
from ctrecon.widgets.words import evidence_slices

__all__ = ["Review", "make_folder", "open_review", "read_length", "read_points"]

Points = tuple[tuple[float, float], ...]


def make_folder(folder: Path) -> None:
    """Make a folder for results with those above it.

    Raises
    ------
    InputFileError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputFileError(f"{folder} cannot be made ({error.strerror}): choose another folder") from None


def read_points(text: str) -> Points:
    """Read points typed as ``column row; column row``.

    Raises
    ------
    InputError
        If a point is not two numbers.

    Examples
    --------
    >>> read_points("10 20.5; 30, 40")
    ((10.0, 20.5), (30.0, 40.0))
    """
    points = []
    for item in (one for one in text.split(";") if one.strip()):
        try:
            column, row = (float(number) for number in item.replace(",", " ").split())
        except ValueError:
            raise InputError(
                f"'{item.strip()}' is not a point; type column and row, a semicolon between points, "
                "such as 10 20; 30 40"
            ) from None
        points.append((column, row))
    return tuple(points)


def read_length(text: str) -> tuple[float, float | None]:
    """Read a known length typed as ``12.00±0.02`` (U, k = 2) and return it with ONE standard uncertainty, mm.

    Raises
    ------
    InputError
        If it is not a length.

    Examples
    --------
    >>> read_length("12.00 ± 0.02 mm"), read_length("12,5")
    ((12.0, 0.01), (12.5, None))
    """
    try:
        known = parse_known(f"F1={text.strip().replace(',', '.')}")  # a decimal comma can mean nothing else here
    except InputError:
        raise InputError(f"'{text}' is not a length; type mm, and U where it is known, such as 12.00±0.02") from None
    return known.value_mm, known.u_mm if known.u_stated else None


class Review:
    """A record under review, with the slices it was measured on.

    Parameters
    ----------
    part : Part
        The record as it was measured.
    stack : SliceStack
        Its slices.
    file : path or None
        File the decisions are kept in (a folder gets `decisions.json`); read again at the start, so that a
        restarted kernel loses nothing. None keeps them in memory only.

    Raises
    ------
    InputError
        If record and stack are of different slices.
    InputFileError
        If the file is there but holds no decisions.
    """

    def __init__(self, part: Part, stack: SliceStack, *, file: str | Path | None = None) -> None:
        info = part.stack
        if stack.shape != (info.slices, info.rows, info.columns):
            raise InputError(
                f"{stack.source} has {' x '.join(map(str, stack.shape))} voxels but the record of {part.name} was "
                f"measured on {info.slices} x {info.rows} x {info.columns}; give the slices it was measured on"
            )
        self.base, self.stack = part, stack
        self.file = None if file is None else Path(file) / FILE_NAME if Path(file).is_dir() else Path(file)
        self.decisions: tuple[Decision, ...] = ()
        if self.file is not None and self.file.exists():
            self.decisions = read_decisions(self.file)
        self.part: Part = part
        self.unmatched: tuple[Unmatched, ...] = ()
        self._taken_back: list[Decision] = []
        self._listeners: list[Callable[[str], None]] = []
        self.chosen: str | None = None
        first = part.features[0] if part.features else None
        self.slice = len(stack) // 2 if first is None else sum(slices_of(part, first)) // 2
        self.slices = (0, len(stack) - 1)
        self.points: Points = ()
        self.notice = ""
        if self.decisions:
            self.notice = f"{len(self.decisions)} decisions read from {self.file}"
        self._replay()

    # --- who wants to know

    def on_change(self, listener: Callable[[str], None]) -> None:
        """Call the listener with what changed: 'slice', 'chosen', 'slices', 'points', 'part' or 'notice'."""
        self._listeners.append(listener)

    def _tell(self, what: str) -> None:
        for listener in tuple(self._listeners):
            listener(what)

    # --- looking

    def go_to(self, index: int) -> None:
        """Show a slice; beyond the ends, the last one there is."""
        self.slice = min(max(int(index), 0), len(self.stack) - 1)
        self._tell("slice")

    def choose(self, ident: str | None, *, jump: bool = True) -> None:
        """Choose a feature by its id; jump to its middle slice where it does not show on the present one."""
        if ident is not None and ident not in {one.id for one in self.part.features}:
            ident = None
        self.chosen = ident
        if ident is not None and jump:
            low, high = slices_of(self.part, self.part.feature(ident))
            if not low <= self.slice <= high:
                self.go_to((low + high) // 2)
        self._tell("chosen")

    def choose_slices(self, first: int, last: int) -> None:
        """Choose a depth range by its first and last slice."""
        low, high = sorted((int(first), int(last)))
        self.slices = (max(low, 0), min(high, len(self.stack) - 1))
        self._tell("slices")

    @property
    def depths_mm(self) -> tuple[float, float]:
        """The chosen depth range in mm, at the scale of the record as it stands."""
        dz = self.part.stack.voxel_mm[0]
        return self.slices[0] * dz, self.slices[1] * dz

    def features_in_range(self) -> tuple[Feature, ...]:
        """Return the features that show on some slice of the chosen depth range."""
        first, last = self.slices
        spans = ((one, slices_of(self.part, one)) for one in self.part.features)
        return tuple(one for one, (low, high) in spans if low <= last and high >= first)

    def curves(self) -> tuple[Curve, ...]:
        """Return the curves of the features on the present slice."""
        return curves_on_slice(self.part, self.slice)

    def feature_at(self, column: float, row: float, *, within_px: float = 4.0) -> str | None:
        """Return the feature whose curve passes near a point of the present slice."""
        return nearest_curve(self.curves(), column, row, within_px=within_px)

    def show_evidence(self, piece: str, number: int, which: int = 1) -> tuple[int, ...]:
        """Go to a slice that shows a reason for a piece: 0 its first, 1 its middle, 2 its last.

        Returns
        -------
        tuple of int
            All slices on which it can be checked; empty where the reason names none.
        """
        found = next(one for one in self.part.pieces if one.id == piece)
        evidence = found.evidence[number]
        slices = evidence_slices(self.part, evidence)
        if slices:
            self.go_to(slices[min(which, len(slices) - 1)])
            here = next((one for one in evidence.features if one in {f.id for f in self.part.features}), None)
            self.choose(here, jump=False)
        return slices

    def set_points(self, points: Sequence[tuple[float, float]]) -> None:
        """Set the points (column, row; voxels) on the present slice, for adding a feature or a known length."""
        self.points = tuple((round(float(x), 2), round(float(y), 2)) for x, y in points)
        self._tell("points")

    # --- deciding

    def accept(self, ident: str) -> None:
        """Accept a feature as right."""
        self._decide(Accept(feature=named(self.part, self._feature(ident))))

    def reject(self, ident: str) -> None:
        """Reject a feature: it leaves the record and everything made from it."""
        self._decide(Reject(feature=named(self.part, self._feature(ident))))

    def rename(self, ident: str, name: str) -> None:
        """Give a feature a name of its own."""
        self._decide(Rename(feature=named(self.part, self._feature(ident)), name=name.strip()))

    def change_kind(self, ident: str, kind: str) -> None:
        """Call a feature another kind; see `kinds_for`."""
        with_kind(self._feature(ident), kind)
        self._decide(ChangeKind(feature=named(self.part, self._feature(ident)), kind=kind))

    def nearest(self, kind: str, length: str | float) -> str:
        """Return the id of the feature of a kind whose main size is nearest to a length (mm, or as it is typed)."""
        value = read_length(length)[0] if isinstance(length, str) else float(length)
        sizes = {one.id: main_size(one) for one in self.part.of_kind(kind)}
        known = {ident: abs(size - value) for ident, size in sizes.items() if size is not None}
        if not known:
            there = ", ".join(sorted({one.kind for one in self.part.features})) or "nothing"
            raise InputError(f"{self.part.name} has no {kind}; it has {there}")
        return min(known, key=lambda ident: (known[ident], ident))

    def kinds_for(self, ident: str) -> tuple[str, ...]:
        """Return the kinds a feature could be called, by the sizes it has."""
        return possible_kinds(self._feature(ident))

    def add(self, kind: str, points: Sequence[tuple[float, float]] | None = None, *, name: str | None = None) -> str:
        """Add a circle or square through points of the present slice, over the chosen depth range.

        Returns
        -------
        str
            Its id, which is chosen.
        """
        before = {one.id for one in self.part.features}
        self._decide(
            Add(
                kind=kind, points_px=tuple(self.points if points is None else points), name=name or None,
                slices=self.slices, on_slice=self.slice,
            )
        )  # fmt: skip
        new = next(one.id for one in self.part.features if one.id not in before)
        self.set_points(())
        self.choose(new)
        return new

    def known_length(
        self, text: str, ident: str | None = None, *, other: str | None = None, size: str | None = None,
        points: Sequence[tuple[float, float]] | None = None, sure: bool = True,
    ) -> None:  # fmt: skip
        """State a length known from the real part; true scale follows from all of them.

        Stated again for the same size, the later one holds.

        Parameters
        ----------
        text : str
            The length, such as ``12.00±0.02`` (mm; U, k = 2).
        ident : str or None
            Feature whose size it is; None takes two points of the present slice.
        other : str or None
            Second feature: then it is the distance of the two axes.
        size : str or None
            Which size; None is the main one.
        points : two (column, row), optional
            In voxels; those that are set where not given.
        sure : bool
            False asks back, by an `InputError`, where the length changes the scale by more than 3 %.
        """
        value, u = read_length(text)
        if ident is None:
            two = tuple(self.points if points is None else points)
            if len(two) != 2:
                raise InputError(f"two points are needed for a known length, {len(two)} are set; set two on the slice")
            between = LengthBetween(slice=self.slice, one_px=two[0], other_px=two[1])
            decision = KnownLength(between=between, value_mm=value, u_mm=u)
        else:
            decision = KnownLength(
                feature=self._name_as_measured(ident), size=size, value_mm=value, u_mm=u,
                other=None if other is None else self._name_as_measured(other),
            )  # fmt: skip
        self._decide(decision, sure=sure)
        self.set_points(())

    def judge(self, piece: str, verdict: str) -> None:
        """Say what a look at the slices shows of a piece: separate, one_piece (with the body) or undecided."""
        found = next((one for one in self.part.pieces if one.id == piece), None)
        if found is None:
            raise InputError(f"there is no piece {piece}; choose one from the list")
        feature = feature_of_piece(self.part, found)
        self._decide(JudgePiece(feature=named(self.part, feature), verdict=verdict))

    # --- drawing

    @property
    def folder(self) -> Path | None:
        """Where record, decisions and sheet lie; None where the decisions are kept in memory only."""
        return None if self.file is None else self.file.absolute().parent

    def draw(self, folder: str | Path | None = None, *, settings: Settings | None = None) -> Path:
        """Draw the sheet of the record as it stands, with outlines and template; `decided.json` is that record.

        Parameters
        ----------
        folder : path or None
            Where the files go, which are replaced one by one; None is the folder of the decisions.
        settings : Settings or None
            How the sheet is drawn.

        Returns
        -------
        Path
            The folder, with its full path.

        Raises
        ------
        InputError
            If there is nothing to draw, or no folder.
        InputFileError
            If it cannot be written there.
        """
        place = self.folder if folder is None else Path(folder).absolute()
        if place is None:
            raise InputError("no folder is known for the sheet; name one")
        if not self.part.features:
            raise InputError(f"{self.part.name} has no features, so there is nothing to draw")
        make_folder(place)
        write_wanted(Made(part=self.part, settings=settings or Settings()), place, FEATURES)
        write_features_csv(self.part, place / "features.csv")
        write_part(self.part, place / DECIDED)
        return place

    def undo(self) -> bool:
        """Take the last decision back; False where there is none."""
        if not self.decisions:
            return False
        self._taken_back.append(self.decisions[-1])
        self._keep(self.decisions[:-1], "the last decision is taken back")
        return True

    def redo(self) -> bool:
        """Decide again what was taken back last; False where there is nothing."""
        if not self._taken_back:
            return False
        self._keep((*self.decisions, self._taken_back.pop()), "decided again")
        return True

    def say(self, notice: str) -> None:
        """Show a sentence to the person."""
        self.notice = notice
        self._tell("notice")

    def attempt(self, action: Callable[[], object]) -> bool:
        """Do something a person asked for; what is refused becomes the notice, one sentence, and False is returned."""
        try:
            action()
        except CtreconError as error:
            text = str(error)
            self.say(text[:1].upper() + text[1:] + ("" if text.endswith(".") else "."))
            return False
        return True

    # --- inside

    def _feature(self, ident: str) -> Feature:
        try:
            return self.part.feature(ident)
        except KeyError:
            raise InputError(f"there is no feature {ident}; choose one from the list") from None

    def _name_as_measured(self, ident: str) -> FeatureName:
        """Name a feature as it is before true scale: that is what the decision will be held against."""
        return named(self._unscaled, next((f for f in self._unscaled.features if f.id == ident), self._feature(ident)))

    def _decide(self, decision: Decision, *, sure: bool = True) -> None:
        if isinstance(decision, OfFeature) and self.part is not self._unscaled:
            ident = next(f.id for f in self.part.features if named(self.part, f) == decision.feature)
            decision = replace(decision, feature=self._name_as_measured(ident))
        same = fingerprint(decision) if isinstance(decision, KnownLength) else ""  # stated twice, it is kept once
        wanted = (*(one for one in self.decisions if fingerprint(one) != same), decision)
        part, unmatched = apply_decisions(self.base, wanted)
        new = [one for one in unmatched if one.number == len(wanted)]
        if new:
            raise InputError(new[0].why)
        moved = [new / old - 1 for new, old in zip(part.stack.voxel_mm, self.part.stack.voxel_mm, strict=True)]
        most = max(moved, key=abs)
        if not sure and abs(most) > FAR_OFF:
            raise InputError(
                f"by this length everything would be {format_percent(abs(most))} {'larger' if most > 0 else 'smaller'} "
                "than now. Is it a radius, or another feature's? Press the button again to use it all the same"
            )
        self._taken_back.clear()
        self._keep(wanted, "")

    def _keep(self, decisions: tuple[Decision, ...], notice: str) -> None:
        """Save first, then show: what is on the screen is on the disk."""
        if self.file is not None:
            write_decisions(decisions, self.file)
        self.decisions = decisions
        self.notice = notice
        self._replay()
        self._tell("part")
        self._tell("notice")

    def _replay(self) -> None:
        plain = tuple(one for one in self.decisions if not isinstance(one, KnownLength))
        self._unscaled, _ = apply_decisions(self.base, plain)
        self.part, self.unmatched = apply_decisions(self.base, self.decisions)
        if self.part == self._unscaled:
            self.part = self._unscaled
        if self.chosen not in {one.id for one in self.part.features}:
            self.chosen = None


def open_review(folder: str | Path, source: str | Path, *, settings: Settings | None = None) -> Review:
    """Open what `measure` wrote for review, with the slices it was measured on.

    Parameters
    ----------
    folder : path
        Output folder of `ctrecon measure`; decisions are kept in it.
    source : path
        The slices.
    settings : Settings or None
        As they were stated for the measurement; the scale is that of the record.

    Raises
    ------
    InputFileError
        If one of them cannot be read.
    InputError
        If they do not belong together.
    """
    part = read_part(Path(folder) / "part.json")
    settings = settings or Settings()
    if part.stack.taken is None:  # else the record's voxels are several of the files'
        settings = replace(settings, voxel_mm=part.stack.voxel_mm)
    return Review(part, open_stated(source, settings), file=Path(folder))
