"""Makes the helpers beside this file importable, whichever way pytest is started."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
