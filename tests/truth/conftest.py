import sys
from pathlib import Path

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(path) for path in (TESTS, TESTS / "benchmarks", TESTS / "circuit") if str(path) not in sys.path]
