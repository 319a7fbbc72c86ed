"""Why small matrix work runs on one thread.

The search makes thousands of products and factors of a hundred rows.  Shared between two threads each of them waits
for the slower one; on a machine that is doing something else as well, that wait is some fifty times the work itself
(measured: factors of 250 rows, 77 ms instead of 1 ms).  Large products gain from every core and are left alone.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager:
    """Return a context in which linear algebra uses one thread; what was set before is restored behind it."""
    return _controller().limit(limits=1, user_api="blas")
