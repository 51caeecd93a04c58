"""Hands at a simulated chamber, so that commissioning can be tried without one. No part of the controller: commands nothing."""
