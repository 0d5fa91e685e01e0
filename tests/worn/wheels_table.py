"""The figures of toothed wheels: counts, how far their odds can be trusted, sizes against the limit, coverage, time."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from worn.table import figures

LEAST_PITCH = 4.0
"""px; finer teeth are not asked for, as stated in the project's targets."""


def _counts(name: str, parts: Sequence[dict[str, Any]]) -> list[str]:
    """Counts right, open but with the truth in the stated range, wrong, and wheels not read."""
    asked = [t for p in parts for t in p.get("teeth", []) if t["pitch_px"] >= LEAST_PITCH]
    lost = sum(kind == "wheel" for p in parts for kind in p.get("missed", []))
    right = sum(t["said"] == t["true"] for t in asked)
    inside = sum(t["said"] is None and t["range"] is not None and t["range"][0] <= t["true"] <= t["range"][1] for t in asked)
    unread = sum(t["said"] is None and t["range"] is None for t in asked)
    wrong = len(asked) - right - inside - unread
    of = len(asked) + lost
    return [
        f"   {name}: {of} wheels of {LEAST_PITCH:.0f} px a pitch or more: counted right {right}, a range that holds the truth "
        f"{inside}, wrong {wrong}, not read {unread}, not found {lost}; right or inside {100 * (right + inside) / max(of, 1):.1f} %"
    ]


def _reliability(parts: Sequence[dict[str, Any]]) -> list[str]:
    """How often counts of a stated probability are true, broken rims only: a whole one is simply counted."""
    said = [
        (odds, count == t["true"]) for p in parts for t in p.get("teeth", [])
        if t["odds"] and t["arc_deg"] is not None and t["arc_deg"] < 360 for count, odds in t["odds"]
    ]  # fmt: skip
    lines = [f"   {'stated probability':>20s} {'counts':>7s} {'mean stated':>12s} {'true':>6s}"]
    for low, high in ((0.0, 0.05), (0.05, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        some = [(p, ok) for p, ok in said if low <= p < high]
        if some:
            lines.append(
                f"   {low:9.2f} to {min(high, 1):5.2f}    {len(some):7d} {np.mean([p for p, _ in some]):12.3f} "
                f"{np.mean([ok for _, ok in some]):6.3f}"
            )
    return lines


def _limits(parts: Sequence[dict[str, Any]]) -> list[str]:
    """RMS of the errors of diameters over the noise limit of each fit (Cramér and Rao)."""
    lines = []
    for name in ("tip", "root"):
        some = [t["limit"][name] for p in parts for t in p.get("teeth", []) if t["limit"].get(name, [0, 0])[1] > 0]
        if some:
            ratio = np.array([error / limit for error, limit in some])
            lines.append(
                f"   {name} diameter: {len(some)} wheels, RMS {np.sqrt(np.mean(ratio**2)):.2f} times the limit "
                f"(median of |error| over it {np.median(np.abs(ratio)):.2f}, 0.67 expected; without the worst tenth "
                f"{np.sqrt(np.mean(np.sort(ratio**2)[: max(1, int(0.9 * len(some)))])):.2f})"
            )
    return lines


def show_wheels(by_kind: dict[str, Sequence[dict[str, Any]]]) -> str:
    """Return the section of the wheels, for the kinds that were run."""
    lines = ["== wheels"]
    for kind in ("wheel", "rim", "sandwich", "broken", "crown"):
        if by_kind.get(kind):
            lines += _counts({"wheel": "whole, worn", "rim": "whole, sound", "broken": "broken"}.get(kind, kind), by_kind[kind])
    if by_kind.get("broken"):
        lines += _reliability(by_kind["broken"])
    if by_kind.get("rim"):
        lines += _limits(by_kind["rim"])
    for quantity in ("size", "root", "inner", "end", "pitch", "turn", "tooth", "place"):
        for kind, parts in by_kind.items():
            some = [s for p in parts for s in p.get("samples", []) if s["group"] == "rim" and s["quantity"] == quantity]
            f = figures(some)
            if "within" in f:
                lines.append(
                    f"   {quantity:6s} {kind:9s} n {f['n']:5d}  rms {f['rms']:.4f}  median |e|/u {f['median']:.2f}  "
                    f"95 % {f['p95']:.2f}  within 2 u {100 * f['within']:.1f} %"
                )  # fmt: skip
    for kind, parts in by_kind.items():
        seconds = [p["rim_seconds"] for p in parts if "rim_seconds" in p]
        if seconds:
            lines.append(f"   {kind}: processor seconds of the rims alone, median / max {np.median(seconds):.2f} / {max(seconds):.2f}")
    return "\n".join(lines)
