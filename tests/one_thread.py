"""How processes of the tests run: this one, and every one that it starts. To be imported before NumPy.

One thread for linear algebra: the workers share the cores already, and on the small matrices of the tests a second
thread only waits, at full load. And an allocator that keeps what was given back (glibc's, elsewhere nobody reads it):
planning a statement sets aside and gives back many small pieces, which is a fifth of its work. It is read when a
process begins, so that it counts in the workers and in what they start.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
os.environ.setdefault("GLIBC_TUNABLES", "glibc.malloc.tcache_count=64")
