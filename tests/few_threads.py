"""Read before all that computes: one thread a process for the linear algebra of NumPy and of scikit-learn.

The processes of a run share the cores, and threads that wait for one another spin: that was a sixth of the processor
time of the tests in `published/` that rank.
"""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
