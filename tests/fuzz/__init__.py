"""Made-up and mutilated inputs by the million; a short run is in the tests.

python -m tests.fuzz --inputs 2000000 --seed 1
"""

import os
import sys
from pathlib import Path

# as the command line does, before numpy is loaded
os.environ.setdefault("OMP_NUM_THREADS", "1")

# the slow readers that results are compared with lie beside this package, under pytest and under `python -m` alike
_TESTS = str(Path(__file__).resolve().parent.parent)
if _TESTS not in sys.path:
    sys.path.append(_TESTS)
