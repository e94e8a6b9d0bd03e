"""The chain a second time, as anyone would first write it: plain Python, one thing after the other.

It serves two ends. As an oracle: written from what the modules of `loamline.core` say of themselves and sharing none of
their column functions, it has to give the same readings bit for bit (`tests/bench/test_plain_chain.py`). And as what
replay is measured against (`tests/bench/replay_speed.py`). So it is written honestly: nothing in it is slower than the
obvious way of doing it, and what depends on the registry alone is worked out once.

    merging -> parsing -> chain (samples, look-up, coalescing) -> figures, soil -> checks -> chain (roll-up, rows)

Figures are floats, NaN where there is none, as in the columns. It knows neither revisions nor what came before.
"""
