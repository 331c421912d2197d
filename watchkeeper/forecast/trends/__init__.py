"""Trends: the stretch of the past to extrapolate, and the line or parabola through it."""
