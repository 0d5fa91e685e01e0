"""Puts the helpers beside these tests on the path: records and checks are plain modules."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
