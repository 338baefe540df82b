"""The tests' own made-up visits are imported by name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
