"""One thread for linear algebra, in this process and in every one that it starts. To be imported before NumPy.

The workers share the cores already; on the small matrices of the tests a second thread only waits, at full load.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
