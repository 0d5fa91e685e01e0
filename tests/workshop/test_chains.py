"""Tolerance chains against published worked chains, and Monte Carlo as the judge of what is correlated."""

from dataclasses import replace

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.workshop.adjust import adjust_last, allocate
from ctrecon.workshop.chains import Face, Link, close_chain, with_made
from ctrecon.workshop.errors import PlanError


def links(*given: tuple[float, float], fixed: tuple[int, ...] = ()) -> list[Link]:
    return [
        Link(name=f"L{i}", size=Measured(abs(size), 0.0), sign=1 if size > 0 else -1, tolerance_mm=t, fixed=i in fixed)
        for i, (size, t) in enumerate(given)
    ]


FOUR = links((40, 0.10), (-25, 0.05), (-2, 0.03), (-10, 0.05))
# Fortini, Dimensioning for Interchangeable Manufacture (1967), as in K. W. Chase (1999); inch; stars bought, fixed
FORTINI = links(
    (-0.0505, 0.0015), (8.000, 0.008), (-0.5093, 0.0025), (0.400, 0.002), (-7.711, 0.006), (0.400, 0.002), (-0.5093, 0.0025), fixed=(0, 2, 6),
)  # fmt: skip


def test_worked_chain() -> None:
    """40 - 25 - 2 - 10 with 0.10, 0.05, 0.03, 0.05: 3.00, worst 0.23, RSS 0.1261 (published worked example)."""
    chain = close_chain(FOUR)
    assert chain.gap.value == pytest.approx(3.0)
    assert chain.shop_worst_mm == pytest.approx(0.23)
    assert chain.shop_rss_mm == pytest.approx(0.1261, abs=5e-5)
    ten = close_chain(links(*[(1.0, 0.1)] * 10))
    assert (ten.shop_worst_mm, ten.shop_rss_mm) == (pytest.approx(1.0), pytest.approx(0.3162, abs=5e-5))


def test_rectangular_limits_are_not_three_sigma() -> None:
    """Even spreads: 95 % within 0.1375 and 99.73 % within 0.1856 (Monte Carlo of 4e6, done once), not the 0.1261 of RSS."""
    even, normal = close_chain(FOUR), close_chain(FOUR, spread="three sigma")
    assert even.quantile(0.975) - 3 == pytest.approx(0.1375, abs=3e-4)
    assert even.quantile(0.99865) - 3 == pytest.approx(0.1856, abs=6e-4)
    assert even.quantile(0.025) + even.quantile(0.975) == pytest.approx(6.0)
    assert normal.quantile(0.99865) - 3 == pytest.approx(0.1261, abs=1e-4)


def test_shaft_and_housing_are_shared_out() -> None:
    """Fortini's chain: 0.0199, sum 0.0245, RSS 0.01108; for 0.015 the free ones scale by 0.47222 (worst) or 1.39526 (statistical)."""
    chain = close_chain(FORTINI)
    assert chain.gap.value == pytest.approx(0.0199)
    assert (chain.shop_worst_mm, chain.shop_rss_mm) == (pytest.approx(0.0245), pytest.approx(0.01108, abs=5e-6))
    worst, rss = allocate(FORTINI, 0.015), allocate(FORTINI, 0.015, method="rss")
    assert (worst.factor, rss.factor) == (pytest.approx(0.47222, abs=5e-6), pytest.approx(1.39526, abs=5e-6))
    free = ("L1", "L3", "L4", "L5")
    assert [worst.tolerances_mm[n] for n in free] == pytest.approx([0.00378, 0.00094, 0.00283, 0.00094], abs=6e-6)
    assert [rss.tolerances_mm[n] for n in free] == pytest.approx([0.01116, 0.00279, 0.00837, 0.00279], abs=6e-6)
    assert worst.tolerances_mm["L0"] == 0.0015
    with pytest.raises(PlanError, match="fixed lengths alone take"):
        allocate(FORTINI, 0.006)
    with pytest.raises(PlanError, match="no length of the chain is free"):
        allocate([replace(one, fixed=True) for one in FORTINI], 0.05)


def test_probability_of_interference() -> None:
    """Shaft 1.048 (sd 0.0050) in a bearing of 1.063 (sd 0.0025): mean 0.015, sd 0.0055902, P 0.0036, 1 % clearance 0.0020 (textbook)."""
    chain = close_chain([Link(name="bearing", size=Measured(1.063, 0.0025)), Link(name="shaft", size=Measured(1.048, 0.0050), sign=-1)])
    assert chain.gap.value == pytest.approx(0.015)
    assert chain.gap.u == pytest.approx(0.0055902, abs=5e-8)
    assert chain.p_interference == pytest.approx(0.0036, abs=5e-5)
    assert chain.quantile(0.01) == pytest.approx(0.0020, abs=5e-5)


def draws(chain: list[Link], rng: np.random.Generator, n: int) -> np.ndarray:
    """Gaps of n assemblies: one error per face, one per scale, one per link, an even spread of making."""
    gap = np.zeros(n)
    faces: dict[str, np.ndarray] = {}
    scales: dict[str, np.ndarray] = {}
    common: dict[str, np.ndarray] = {}
    for link in chain:
        length = np.full(n, link.size.value)
        if link.faces is not None:
            near, far = (faces.setdefault(f.name, rng.normal(0, f.u_mm, n)) for f in link.faces)
            length = length + far - near
        else:
            length = length + rng.normal(0, link.size.u or 0.0, n)
        for name, effect in link.shared.items():
            length = length + effect * common.setdefault(name, rng.standard_normal(n))
        if link.scale_group is not None:
            relative = scales.setdefault(link.scale_group, rng.standard_normal(n))
            length = length + link.size.value * (link.scale_u_rel or 0.0) * relative
        gap += link.sign * (length + rng.uniform(-1, 1, n) * link.tolerance_mm)
    return gap


def scanned(rng: np.random.Generator) -> list[Link]:
    """A random stack: two scans, neighbours that share faces, some pieces measured at the bench."""
    names = [Face(f"f{i}", float(rng.uniform(0.001, 0.008))) for i in range(5)]
    out = []
    for i in range(4):
        a, b = sorted(rng.choice(5, 2, replace=False))
        out.append(Link(name=f"s{i}", size=Measured(float(rng.uniform(0.5, 6)), 99.0), sign=int(rng.choice([1, -1])), faces=(names[a], names[b]), shared={"edges of scan A": float(rng.choice([-0.006, 0.0, 0.006]))},
                        scale_group="scan A", scale_u_rel=0.002, tolerance_mm=float(rng.uniform(0, 0.02))))  # fmt: skip
    for i in range(2):
        out.append(Link(name=f"t{i}", size=Measured(float(rng.uniform(0.5, 6)), 0.003), sign=int(rng.choice([1, -1])), scale_group="scan B", scale_u_rel=0.004))
    out.append(Link(name="bench", size=Measured(1.8, 0.005), sign=-1, tolerance_mm=0.01))
    return out


@pytest.mark.parametrize("seed", range(6))
def test_covariance_against_monte_carlo(seed: int) -> None:
    """u, quantiles and the chance of a closed gap of random stacks agree with drawing every error once and adding up."""
    rng = np.random.default_rng(700 + seed)
    stack = scanned(rng)
    bare = sum(one.sign * one.size.value for one in stack)
    stack.append(Link(name="room", size=Measured(abs(bare - 0.02), 0.0), sign=1 if bare < 0.02 else -1, fixed=True))
    chain = close_chain(stack, required_mm=(0.0, 0.05))
    gaps = draws(stack, rng, 400_000)
    quiet = draws([replace(one, tolerance_mm=0.0) for one in stack], rng, 400_000)
    assert np.hypot(chain.gap.u or 0, chain.gap.scale_u or 0) == pytest.approx(quiet.std(), rel=0.006)
    assert chain.p_interference == pytest.approx(np.mean(gaps < 0), abs=0.003)
    assert chain.p_outside == pytest.approx(np.mean((gaps < 0) | (gaps > 0.05)), abs=0.003)
    for share in (0.05, 0.5, 0.95):
        assert chain.quantile(share) == pytest.approx(np.quantile(gaps, share), abs=0.02 * gaps.std())
    assert sum(share for _, share in chain.shares) == pytest.approx(1)


def test_a_shared_face_counts_once_and_scale_has_its_sign() -> None:
    """Two lengths end to end lose their common face; a scale error cancels in equal lengths of opposite sign (GUM 5.2.2, by hand)."""
    a, b, c = Face("a", 0.003), Face("b", 0.05), Face("c", 0.004)
    stack = close_chain([Link(name="plate", size=Measured(2.0), faces=(a, b)), Link(name="spacer", size=Measured(1.0), faces=(b, c))])
    assert stack.gap.u == pytest.approx(0.005)
    step = close_chain([Link(name="long", size=Measured(3.0), faces=(a, c)), Link(name="short", size=Measured(2.0), sign=-1, faces=(a, b))])
    assert step.gap.u == pytest.approx(np.hypot(0.004, 0.05))
    same = {"scale_group": "scan", "scale_u_rel": 0.01}
    cancel = close_chain([Link(name="hole", size=Measured(5.0, 0.0), **same), Link(name="peg", size=Measured(4.9, 0.0), sign=-1, **same)])  # type: ignore[arg-type]
    assert cancel.gap.scale_u == pytest.approx(0.001)
    apart = close_chain([Link(name="hole", size=Measured(5.0, 0.0), scale_group="one", scale_u_rel=0.01), Link(name="peg", size=Measured(4.9, 0.0), sign=-1, scale_group="two", scale_u_rel=0.01)])
    assert apart.gap.scale_u == pytest.approx(np.hypot(0.05, 0.049))


def test_what_is_not_known_is_named() -> None:
    """A length without u or of a scan without scale is named as missing from U."""
    chain = close_chain([Link(name="plate", size=Measured(2.0)), Link(name="hub", size=Measured(1.0, 0.01), sign=-1, scale_group="scan")])
    assert chain.without_u == ("plate", "hub")
    assert "not in U: plate, hub" in chain.reason


def floor_stack(spacer: float, **change: object) -> list[Link]:
    """Pillars 8.00 less plate 1.5, hub 4.6 and spacer leave the end shake."""
    return [
        Link(name="pillars", size=Measured(8.00, 0.002), ease=3, tolerance_mm=0.02, fixed=True),
        Link(name="hub", size=Measured(4.60, 0.004), sign=-1, ease=3),
        Link(name="plate", size=Measured(1.50, 0.004), sign=-1, ease=2),
        Link(name="spacer", size=Measured(spacer, 0.005), sign=-1, ease=1, **change),  # type: ignore[arg-type]
    ]


def test_the_easy_piece_is_rubbed_down_last() -> None:
    """A gap of 0.06 for 0.08 to 0.12: the spacer 0.04 off, which the chain with the spacer changed confirms."""
    last = adjust_last(close_chain(floor_stack(1.84), required_mm=(0.08, 0.12)))
    assert (last.kind, last.link) == ("rub_down", "spacer")
    assert last.by_mm == pytest.approx(-0.04)
    assert (last.least_mm, last.most_mm) == (pytest.approx(0.02), pytest.approx(0.06))
    assert "spacer: 0.04 mm off" in last.reason and "then try" in last.reason
    again = close_chain(floor_stack(1.84 + last.by_mm), required_mm=(0.08, 0.12))
    assert again.gap.value == pytest.approx(0.10)
    assert last.after.gap.value == pytest.approx(again.gap.value)
    assert last.after.verdict == "holds"
    assert [way.link for way in last.others] == ["plate", "hub"]


def test_the_other_ways_out() -> None:
    """Too wide: shim the spacer; spacer not to be rubbed: the plate; too much for any: remake; all fixed: refused; in: nothing, or try first."""
    wide = adjust_last(close_chain(floor_stack(1.70), required_mm=(0.08, 0.12)))
    assert (wide.kind, wide.link) == ("shim", "spacer") and wide.by_mm == pytest.approx(0.10)
    assert wide.after.gap.value == pytest.approx(0.10)
    plate = adjust_last(close_chain(floor_stack(1.84, rub_down=False), required_mm=(0.08, 0.12)))
    assert (plate.kind, plate.link) == ("rub_down", "plate")
    few = adjust_last(close_chain(floor_stack(1.84, most_off_mm=0.03), required_mm=(0.08, 0.12)))
    assert (few.link, few.by_mm) == ("spacer", pytest.approx(-0.03))
    assert few.after.gap.value == pytest.approx(0.09)
    stiff = [replace(one, rub_down=False) for one in floor_stack(1.84)]
    assert adjust_last(close_chain(stiff, required_mm=(0.08, 0.12))).kind == "remake"
    with pytest.raises(PlanError, match="every length is fixed"):
        adjust_last(close_chain([replace(one, fixed=True) for one in stiff], required_mm=(0.08, 0.12)))
    with pytest.raises(PlanError, match="no gap is required"):
        adjust_last(close_chain(stiff))
    assert adjust_last(close_chain(floor_stack(1.80), required_mm=(0.0, 0.3))).kind == "none"
    unsure = adjust_last(close_chain(floor_stack(1.80), required_mm=(0.08, 0.12)))
    assert (unsure.kind, unsure.link) == ("try", "spacer")


def test_a_made_piece_takes_its_place() -> None:
    """A spacer made to 1.83 +- 0.01 (U) leaves 0.07, with its own u and no making tolerance."""
    chain = close_chain(with_made(floor_stack(1.80, tolerance_mm=0.05), "spacer", Measured(1.83, 0.005)), required_mm=(0.08, 0.12))
    assert chain.gap.value == pytest.approx(0.07)
    assert chain.shop_worst_mm == pytest.approx(0.02)
    assert adjust_last(chain).by_mm == pytest.approx(-0.03)
    with pytest.raises(PlanError, match="its links are pillars"):
        with_made(floor_stack(1.8), "shim", Measured(0.1, 0.0))


@pytest.mark.parametrize(
    ("stack", "words"),
    [([], "at least one link"), (links((1, 0.1)) * 2, "two links"), ([Link(name="a", size=Measured(1.0), sign=0)], "sign 0"), ([Link(name="a", size=Measured(1.0), tolerance_mm=-0.1)], "0 or more"),
     ([Link(name="a", size=Measured(1.0), faces=(Face("f", 0.1), Face("f", 0.2)))], "one standard uncertainty")],
)  # fmt: skip
def test_a_senseless_chain_is_refused(stack: list[Link], words: str) -> None:
    """One sentence each."""
    with pytest.raises(PlanError, match=words):
        close_chain(stack)
    with pytest.raises(PlanError, match="least first"):
        close_chain(FOUR, required_mm=(0.2, 0.1))
