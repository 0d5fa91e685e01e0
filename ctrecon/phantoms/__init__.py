"""Invented parts with known truth: own geometry, no code shared with the measuring."""

from ctrecon.phantoms.ferry_counter import make, names
from ctrecon.phantoms.phantom import Phantom
from ctrecon.phantoms.random_parts import random_hub, random_plate
from ctrecon.phantoms.scanner import Scanner
from ctrecon.phantoms.write import make_samples, write

__all__ = ["Phantom", "Scanner", "make", "make_samples", "names", "random_hub", "random_plate", "write"]
