"""What every reader is held to, whatever is done to its file."""

from hypothesis import HealthCheck, given, settings, strategies as st
from readers import READERS
from scenes import SCENES


def steps(kinds):
    share = st.floats(0.0, 1.0, exclude_max=True)
    return st.lists(st.tuples(st.sampled_from(kinds), share, st.integers(0, 65_535)), min_size=1, max_size=4)


def holds(name, *, examples=60):
    """A test: the reader answers in time, in bounded memory, with a result or with one line of its own error.

    It opens no socket and no file outside the inputs' folder, changes no input and leaves nothing behind (child.py).
    """
    reader = READERS[name]

    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.sampled_from(reader.damaged), steps(reader.kinds))
    def test(child, file, what):
        assert child(reader=name, file=file, steps=what) in ({"outcome": "read"}, {"outcome": "refused"})

    return test


def never_clear(name, *, examples=12):
    """A test: loss of records or of the file's end never makes this blocked scene clear."""
    reader = SCENES[name]

    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.sampled_from(reader.damaged), steps(reader.kinds))
    def test(child, file, what):
        assert child(reader=name, file=file, steps=what) in ({"outcome": "read"}, {"outcome": "refused"})

    return test
