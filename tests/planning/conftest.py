"""Makes the invented panels importable, as the tests folder is no package."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
