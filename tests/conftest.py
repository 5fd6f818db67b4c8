"""Settings for all tests."""

from hypothesis import settings

# A busy machine must not fail a property; timings are the benches' business.
settings.register_profile("steady", deadline=None)
settings.load_profile("steady")
