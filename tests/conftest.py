"""Settings and fixtures shared by all tests."""

from hypothesis import settings

# the same examples in every run: a failure can be met again, and none comes by chance
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
