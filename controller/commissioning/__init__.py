"""Commissioning: what a chamber has to show before it is trusted, how it is shown, and for how long that holds."""
