"""Invented parts with known truth: own geometry, no code shared with the measuring."""

from ctrecon.phantoms.ferry_counter import make, names
from ctrecon.phantoms.phantom import Phantom
from ctrecon.phantoms.scanner import Scanner
from ctrecon.phantoms.write import make_samples, write

__all__ = ["Phantom", "Scanner", "make", "make_samples", "names", "write"]
