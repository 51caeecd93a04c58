"""For every test: how many examples hypothesis draws. `make test` draws few, `make campaign` many."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

settings.register_profile("check", deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("campaign", deadline=None, max_examples=3000, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "check"))
