"""Let the tests of the coverage import the simulation."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
