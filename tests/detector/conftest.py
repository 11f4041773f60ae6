"""The bench lives beside its script, not in the package; its modules are found here."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "scripts" / "detector"))
