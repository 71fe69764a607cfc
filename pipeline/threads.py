"""One thread a process, where libraries of linear algebra would start one for each core.

Frames and bursts are the unit of parallel work, and their systems of equations are small: threads that wait for each
other by spinning made the light of a burst take four times the processor time of one. And sums that are split among
them have other last digits on a machine of other cores. A library asks for its number as it loads, so these variables
must stand before.
"""

from __future__ import annotations

import os

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "VECLIB_MAXIMUM_THREADS": "1"}  # of the wheels of numpy, scipy and OpenCV


def one_thread() -> None:
    """For this process and those that it starts, whatever the environment said; before numpy is imported."""
    os.environ.update(ONE_THREAD)
