"""The thread helper covers every item once, for any number of threads."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from routeplan.compiled import in_slices


@given(st.integers(0, 300), st.integers(1, 9))
def test_slices_cover_each_item_once_property(count, threads):
    touched = np.zeros(count, dtype=int)

    def run(first, past_last):
        touched[first:past_last] += 1

    in_slices(run, count, threads)
    assert (touched == 1).all()
