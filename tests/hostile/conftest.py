"""Puts the commands beside these tests on the path: plain modules."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
