"""What may be wrong with a car: one file a cause, found by `registry`.

A cause is added by a module here with a `HYPOTHESIS`: an object of `hypothesis.Hypothesis`, which says what belongs to
one.
"""
