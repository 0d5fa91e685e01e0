"""Prints what a run over worn parts has shown, by kind of part and group of feature."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

UNITS = {
    "size": "px",
    "root": "px",
    "pitch": "deg",
    "tooth": "deg",
    "seam": "px",
    "place": "px",
    "end": "slice",
    "turn": "deg",
    "taper": "mm/mm",
    "axis": "deg",
}


def _words(kinds: Iterable[str]) -> str:
    counted = Counter(kinds)
    return ", ".join(f"{n} x {k}" for k, n in sorted(counted.items(), key=lambda kn: (-kn[1], kn[0])))


def figures(samples: Sequence[dict[str, Any]]) -> dict[str, float | int | None]:
    """RMS, bias, and how the errors stand to u: median, 95th percentile, share within 2 u."""
    error = np.array([s["error"] for s in samples], float)
    out: dict[str, float | int | None] = {"n": len(error)}
    if not len(error):
        return out
    ratio = np.array([abs(s["error"]) / s["u"] for s in samples if s["u"]])
    out |= {"bias": float(error.mean()), "rms": float(np.sqrt(np.mean(error**2))), "worst": float(np.abs(error).max())}
    out["without_u"] = sum(not s["u"] for s in samples)
    if len(ratio):
        out |= {
            "median": float(np.median(ratio)),
            "p95": float(np.percentile(ratio, 95)),
            "within": float(np.mean(ratio <= 2)),
        }
    return out


def _share(samples: Sequence[dict[str, Any]]) -> str:
    f = figures(samples)
    return "-" if "within" not in f else f"{100 * f['within']:.0f} % of {f['n']}"  # type: ignore[operator]


def summary(parts: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """All figures of some parts, as plain data."""
    done = [p for p in parts if "found" in p]
    out: dict[str, Any] = {
        "parts": len(parts), "finished": len(done), "faults": sum("fault" in p for p in parts), "unfinished": sum("unfinished" in p for p in parts),
        **{k: Counter(kind for p in done for kind in p[k]) for k in ("found", "missed", "weak_found", "weak_missed", "extras", "undecided")},
    }  # fmt: skip
    out["empty"], out["judged"] = sum(p["empty"] for p in done), sum(p["pieces"].get("judged", True) for p in done)
    out["pieces_right"] = sum(p["pieces"]["right"] for p in done)
    clear = [p for p in done if p["clear"]]
    out["pieces_right_clear"], out["clear"] = sum(p["pieces"]["right"] for p in clear), len(clear)
    out["pieces_undecided"] = sum(p["pieces"]["undecided"] for p in done)
    out["false_separate"] = sum(p["pieces"]["false_separate"] for p in done)
    for name, key in (("seams", "of"), ("seams_told", "told"), ("limits_true", "limit_true")):
        out[name] = sum(p["seams"][key] for p in done)
    out["honest"] = sum(p["pieces"]["honest"] for p in done)
    out["teeth"] = [t for p in done for t in p.get("teeth", [])]
    for name, key in (("seconds", "seconds"), ("megabytes", "megabytes")):
        values = [p[key] for p in parts if key in p]
        out[name] = [float(np.median(values)), float(np.max(values))] if values else []
    samples = [s for p in done for s in p["samples"]]
    out["quantities"] = {}
    for quantity in UNITS:
        for group in sorted({s["group"] for s in samples if s["quantity"] == quantity}):
            chosen = [
                s
                for s in samples
                if s["quantity"] == quantity and s["group"] == group and not (s["weak"] and quantity == "seam")
            ]
            if chosen:
                out["quantities"][f"{quantity} {group}"] = chosen
    return out


def show(name: str, parts: Sequence[dict[str, Any]]) -> str:
    """The table of one kind of part."""
    s = summary(parts)
    found, missed, extras = (sum(s[k].values()) for k in ("found", "missed", "extras"))
    share = f" = {100 * found / (found + missed):.1f} %" if found + missed else ""
    lines = [
        f"== {name}: {s['parts']} parts, {s['finished']} measured, {s['faults']} internal faults, {s['unfinished']} unfinished",
        f"   found {found} of {found + missed}{share}; extras {extras} = {extras / max(s['finished'], 1):.2f} a part; undecided {sum(s['undecided'].values())}",
    ]  # fmt: skip
    if name == "nothing":
        lines.append(f"   records without a feature {s['empty']} of {s['parts']}")
    for key, text in (("missed", "missed"), ("extras", "extras"), ("undecided", "undecided")):
        if s[key]:
            lines.append(f"   {text}: {_words(s[key].elements())}")
    weak = sum(s["weak_found"].values()) + sum(s["weak_missed"].values())
    if weak:
        lines.append(f"   seams too weak to ask for: {sum(s['weak_found'].values())} of {weak} told")
    lines.append(
        f"   pieces right {s['pieces_right']} of {s['judged']} (where every seam is clear: {s['pieces_right_clear']} of {s['clear']}), "
        f"undecided {s['pieces_undecided']}, false separate {s['false_separate']}"
    )
    if s["seams"]:
        lines.append(
            f"   seams told {s['seams_told']} of {s['seams']}, others with a stated limit that was true {s['limits_true']} of "
            f"{s['seams'] - s['seams_told']}; pieces right or limit true {s['honest']} of {s['judged']}"
        )
    told = [t for t in s["teeth"] if t["said"] is not None]
    if s["teeth"]:
        lines.append(
            f"   teeth counted right {sum(t['said'] == t['true'] for t in told)} of {len(s['teeth'])}, not counted {len(s['teeth']) - len(told)}"
        )
    if s["seconds"]:
        memory = "; peak memory {:.0f} / {:.0f} MB".format(*s["megabytes"]) if s["megabytes"] else ""
        lines.append("   processor seconds median / max {:.1f} / {:.1f}".format(*s["seconds"]) + memory)
    if s["quantities"]:
        lines.append(
            f"   {'quantity':14s} {'unit':6s} {'n':>4s} {'bias':>9s} {'rms':>9s} {'worst':>9s} {'med e/u':>8s} {'p95':>6s} {'in 2u':>6s}   unflagged; flagged; worn rims"
        )
    for key, chosen in s["quantities"].items():
        f = figures(chosen)
        ratio = f"{f['median']:8.2f} {f['p95']:6.2f} {100 * f['within']:5.0f}%" if "within" in f else " " * 22  # type: ignore[operator]
        apart = "; ".join(_share([c for c in chosen if keep(c)]) for keep in (
            lambda c: not c["flagged"], lambda c: c["flagged"], lambda c: c["worn"],
        ))  # fmt: skip
        lines.append(
            f"   {key:14s} {UNITS[key.split()[0]]:6s} {f['n']:4d} {f['bias']:9.4f} {f['rms']:9.4f} {f['worst']:9.4f} {ratio}   {apart}"
        )
    return "\n".join(lines)


def overall(by_kind: dict[str, Sequence[dict[str, Any]]]) -> str:
    """One line a kind and one for all, to be read first."""
    head = f"{'kind':10s} {'parts':>5s} {'found':>14s} {'extras':>7s} {'undec':>5s} {'pieces':>7s} {'faults':>6s} {'unfin.':>6s} {'s med':>6s} {'s max':>6s} {'MB':>5s}   size RMS px: round, square, rect, seam, arc; cover size, place, end, turn, taper %"
    lines = [head]
    rows = [*by_kind.items(), ("all", [p for some in by_kind.values() for p in some])]
    for name, parts in rows if len(by_kind) > 1 else rows[:1]:
        s = summary(parts)
        found, missed, extras = (sum(s[k].values()) for k in ("found", "missed", "extras"))
        samples = [x for p in parts for x in p.get("samples", [])]
        sizes = []
        for group in ("round", "square", "rect", "seam", "arc"):
            f = figures([x for x in samples if x["quantity"] == "size" and x["group"] == group])
            sizes.append(f"{f['rms']:.3f}" if f["n"] else "-")
        covers = []
        for quantity in ("size", "place", "end", "turn", "taper"):
            f = figures([x for x in samples if x["quantity"] == quantity])
            covers.append(f"{100 * f['within']:.0f}" if "within" in f else "-")  # type: ignore[operator]
        seconds, memory = s["seconds"] or [0, 0], s["megabytes"] or [0, 0]
        lines.append(
            f"{name:10s} {s['parts']:5d} {found:5d}/{found + missed:<4d}{100 * found / max(found + missed, 1):4.0f}% {extras / max(s['finished'], 1):7.2f} "
            f"{sum(s['undecided'].values()):5d} {s['pieces_right']:3d}/{s['judged']:<3d} {s['faults']:6d} {s['unfinished']:6d} {seconds[0]:6.1f} {seconds[1]:6.1f} {memory[1]:5.0f}   "
            f"{', '.join(sizes)}; {', '.join(covers)}"
        )
    return "\n".join(lines)
