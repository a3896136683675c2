"""Hypothesis asks no test to be quick: how long an example takes says more of the machine than of the code."""

from hypothesis import HealthCheck, settings

settings.register_profile("witnesspost", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("witnesspost")
