"""How the libraries that compute use the computer; set before any of them is loaded.

A farm's tables are small, so threads wait for each other longer than they work: with one, a day's turn takes a
tenth less of the processor and no longer by the clock (FIGURES.md). Whoever sets another number keeps it.
"""

import gc
import os

# Read where such a library is first loaded, here and in the processes that this one starts.
ONE_THREAD = dict.fromkeys(("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
# Objects made until cycles of unused ones are looked for: hardly any are, and a look goes through all.
_RARELY = 100_000


def settle() -> None:
    """Have one thread compute in this process, and unused cycles looked for rarely."""
    for name, number in ONE_THREAD.items():
        os.environ.setdefault(name, number)
    gc.set_threshold(_RARELY)
