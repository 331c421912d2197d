"""What every test stands on."""

from hypothesis import settings

# These machines are shared and slow at times: an example's time says nothing about the code.
settings.register_profile("watchkeeper", deadline=None)
settings.load_profile("watchkeeper")
