"""Let the tests of the reports import their record builder."""

import pathlib
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parent))
