"""Shared by all tests: quiet plots and repeatable property tests."""

import os
import sys
from pathlib import Path

from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "agg")
sys.path.insert(0, str(Path(__file__).parent))
settings.register_profile("house", deadline=None, derandomize=True, max_examples=100)
settings.load_profile("house")
